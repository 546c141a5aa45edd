//! Volume of a pile, in the cube of the unit of its lengths.

use std::f64::consts::PI;

/// Shape of a windrow's or heap's cross-section or body.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// 2/3 w h L.
    Parabola { width: f64, height: f64, length: f64 },
    /// 1/2 w h L.
    Triangle { width: f64, height: f64, length: f64 },
    /// (a + b)/2 h L.
    Trapezoid { bottom: f64, top: f64, height: f64, length: f64 },
    /// π r² h / 3.
    Cone { radius: f64, height: f64 },
}

impl Shape {
    pub fn volume(self) -> f64 {
        match self {
            Shape::Parabola { width, height, length } => 2.0 / 3.0 * width * height * length,
            Shape::Triangle { width, height, length } => width * height * length / 2.0,
            Shape::Trapezoid { bottom, top, height, length } => f64::midpoint(bottom, top) * height * length,
            Shape::Cone { radius, height } => PI * radius * radius * height / 3.0,
        }
    }
}
