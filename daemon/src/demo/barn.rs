//! What hangs and stands in the barn: every probe with its place and its way of speaking.

use heapward_rules::reading::Unit;
use heapward_rules::units::Span;

use super::probes::{Mount, Probe};

/// A named place in a pile. The same names in each bay.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    pub spot: &'static str,
    pub zone: &'static str,
    pub depth_in: f64,
}

/// How the messages of a probe look. Farms are grown, not planned: each bay came with another gateway.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// One message for all lances of the bay: an array keyed by the lance's number, RFC 3339 time.
    Lances,
    /// A topic for each probe, Fahrenheit with the unit in the message, epoch milliseconds.
    Single,
    /// Two readings at a time, stored and forwarded, epoch seconds.
    Batch,
    /// A receiver that hears several sensors on one topic, local wall time without offset.
    Receiver,
    /// A metering plug, RFC 3339 with offset.
    Plug,
}

/// A probe as it was bought and put up.
#[derive(Clone, Copy, Debug)]
pub struct Fitting {
    pub id: &'static str,
    pub bay: usize,
    pub spot: &'static str,
    pub mount: Mount,
    pub every: Span,
    pub shape: Shape,
}

pub const PLACES: [Place; 5] = [
    Place { spot: "core", zone: "core", depth_in: 30.0 },
    Place { spot: "middle", zone: "middle", depth_in: 20.0 },
    Place { spot: "outer-north", zone: "outer", depth_in: 14.0 },
    Place { spot: "outer-south", zone: "outer", depth_in: 14.0 },
    Place { spot: "air", zone: "ambient", depth_in: 0.0 },
];

const FIVE: Span = Span::minutes(5);
const TEN: Span = Span::minutes(10);

/// All probes of the farm. `k10` lies in the drawer until another breaks.
pub const FITTINGS: [Fitting; 17] = [
    lance("k1", 0, "core", 0, 0.6, FIVE, Shape::Lances),
    lance("k2", 0, "middle", 1, 0.0, FIVE, Shape::Lances),
    lance("k3", 0, "outer-north", 2, -0.9, FIVE, Shape::Lances),
    lance("k4", 0, "outer-south", 2, 0.5, FIVE, Shape::Lances),
    lance("k5", 1, "core", 0, 0.4, TEN, Shape::Single),
    lance("k6", 1, "middle", 1, 0.2, TEN, Shape::Single),
    lance("k7", 1, "outer-north", 2, -0.4, TEN, Shape::Single),
    lance("k8", 2, "core", 0, 0.0, TEN, Shape::Batch),
    lance("k9", 2, "outer-south", 2, 0.0, TEN, Shape::Batch),
    lance("k10", 2, "core", 0, 0.2, TEN, Shape::Batch),
    fitting("m1", 0, "core", Mount::Moisture, TEN, Shape::Receiver),
    fitting("m2", 1, "core", Mount::Moisture, TEN, Shape::Receiver),
    fitting("m3", 2, "core", Mount::Moisture, TEN, Shape::Receiver),
    fitting("a1", 0, "air", Mount::Ambient, TEN, Shape::Receiver),
    fitting("b1", 0, "core", Mount::Blower, FIVE, Shape::Plug),
    fitting("b2", 1, "core", Mount::Blower, FIVE, Shape::Plug),
    fitting("b3", 2, "core", Mount::Blower, FIVE, Shape::Plug),
];

/// The probe in the drawer.
pub const SPARE: &str = "k10";

const fn lance(
    id: &'static str,
    bay: usize,
    spot: &'static str,
    zone: usize,
    warmer_c: f64,
    every: Span,
    shape: Shape,
) -> Fitting {
    fitting(id, bay, spot, Mount::Zone { zone, warmer_c }, every, shape)
}

const fn fitting(
    id: &'static str,
    bay: usize,
    spot: &'static str,
    mount: Mount,
    every: Span,
    shape: Shape,
) -> Fitting {
    Fitting { id, bay, spot, mount, every, shape }
}

// === impl Fitting ===

impl Fitting {
    pub fn find(id: &str) -> Option<&'static Fitting> {
        FITTINGS.iter().find(|fitting| fitting.id == id)
    }

    /// The unit in which the probe reports.
    pub fn unit(&self) -> Unit {
        match (self.mount, self.shape) {
            (Mount::Moisture, _) => Unit::Percent,
            (Mount::Blower, _) => Unit::Watt,
            (_, Shape::Single) => Unit::Fahrenheit,
            _ => Unit::Celsius,
        }
    }

    pub fn probe(&self, seed: u64) -> Probe {
        Probe::new(self.id, self.bay, self.mount, self.every, self.unit(), seed)
    }

    /// The number of a lance or a radio sensor, as its messages give it.
    pub fn number(&self) -> String {
        let digits = self.id.trim_start_matches(|c: char| c.is_ascii_alphabetic());
        match self.shape {
            Shape::Lances => format!("28-5a17c04e{digits:0>4}"),
            _ => format!("{}{digits}", if self.mount == Mount::Ambient { 9 } else { 8 }),
        }
    }
}
