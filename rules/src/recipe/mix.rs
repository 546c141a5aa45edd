//! Moisture and carbon to nitrogen ratio of a mix, and how much of what to add.

/// One material of a mix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Material {
    /// Percent of the wet mass.
    pub moisture: f64,
    /// Percent of the dry mass.
    pub nitrogen: f64,
    /// Percent of the dry mass.
    pub carbon: f64,
}

/// What a mix of wet masses comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mix {
    pub mass: f64,
    /// Percent of the wet mass.
    pub moisture: f64,
    /// Carbon over nitrogen; `None` without nitrogen.
    pub cn: Option<f64>,
    /// Mass of nitrogen and of carbon, in the unit of `mass`.
    pub nitrogen: f64,
    pub carbon: f64,
}

/// Two unknown masses that meet both goals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pair {
    pub x: f64,
    pub y: f64,
}

/// Why a goal cannot be met.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Infeasible {
    /// The goal does not lie strictly between the two materials: no amount of the second one reaches it.
    GoalNotBetween,
    /// Both equations say the same: the two materials cannot be told apart by the goals.
    Undetermined,
    /// The first unknown would have to be taken out.
    FirstNegative(Pair),
    /// The second unknown would have to be taken out: if it is water, the mix is too wet already.
    SecondNegative(Pair),
    /// Both would have to be taken out.
    BothNegative(Pair),
}

impl Material {
    /// Water has neither carbon nor nitrogen.
    pub const WATER: Material = Material { moisture: 100.0, nitrogen: 0.0, carbon: 0.0 };

    /// From a handbook's C:N instead of its carbon.
    pub fn from_cn(moisture: f64, nitrogen: f64, cn: f64) -> Material {
        Material { moisture, nitrogen, carbon: nitrogen * cn }
    }

    /// Whether the carbon can be: fresh feedstock has 20 to 60 % of its dry mass. Handbooks take nitrogen and C:N from
    /// different samples and then claim more carbon than there is matter.
    pub fn is_plausible(&self) -> bool {
        (20.0..=60.0).contains(&self.carbon)
    }

    fn cn(&self) -> Option<f64> {
        (self.nitrogen > 0.0).then(|| self.carbon / self.nitrogen)
    }
}

/// Mix of (wet mass, material): moisture = sum(Q M) / sum(Q); C:N = sum(Q C (100 - M)) / sum(Q N (100 - M)). Ratios
/// are never averaged. `None` without mass.
pub fn mix(parts: &[(f64, Material)]) -> Option<Mix> {
    let mass: f64 = parts.iter().map(|(mass, _)| mass).sum();
    if mass <= 0.0 {
        return None;
    }
    let sum =
        |of: fn(&Material) -> f64| parts.iter().map(|(mass, material)| mass * of(material)).sum::<f64>();
    let nitrogen = sum(|m| m.nitrogen / 100.0 * (100.0 - m.moisture) / 100.0);
    let carbon = sum(|m| m.carbon / 100.0 * (100.0 - m.moisture) / 100.0);
    let cn = (nitrogen > 0.0).then(|| carbon / nitrogen);
    Some(Mix { mass, moisture: sum(|m| m.moisture) / mass, cn, nitrogen, carbon })
}

/// Mass of a second material that brings the first to a moisture: Q2 = Q1 (G - M1) / (M2 - G).
pub fn second_for_moisture(mass: f64, moisture: f64, second: f64, goal: f64) -> Result<f64, Infeasible> {
    let added = mass * (goal - moisture) / (second - goal);
    if added.is_finite() && added >= 0.0 { Ok(added) } else { Err(Infeasible::GoalNotBetween) }
}

/// Mass of a second material that brings the first to a C:N:
/// Q2 = Q1 N1 (R - C1/N1) (100 - M1) / (N2 (C2/N2 - R) (100 - M2)).
pub fn second_for_cn(mass: f64, first: &Material, second: &Material, goal: f64) -> Result<f64, Infeasible> {
    let missing = |m: &Material| (goal * m.nitrogen - m.carbon) * (100.0 - m.moisture);
    let between = match (first.cn(), second.cn()) {
        (Some(a), Some(b)) => (a - goal) * (b - goal) < 0.0 || (a - goal).abs() < f64::EPSILON,
        _ => true,
    };
    let added = -mass * missing(first) / missing(second);
    if between && added.is_finite() && added >= 0.0 { Ok(added) } else { Err(Infeasible::GoalNotBetween) }
}

/// Masses of two materials that, with what is fixed, meet a moisture and a C:N at once: the two linear equations
/// sum q (M - G) = 0 and sum q (100 - M) (C - R N) = 0.
pub fn solve_two(
    fixed: &[(f64, Material)],
    x: &Material,
    y: &Material,
    goal_moisture: f64,
    goal_cn: f64,
) -> Result<Pair, Infeasible> {
    let wet = |m: &Material| m.moisture - goal_moisture;
    let lean = |m: &Material| (100.0 - m.moisture) * (m.carbon - goal_cn * m.nitrogen);
    let sum = |of: &dyn Fn(&Material) -> f64| fixed.iter().map(|(mass, m)| mass * of(m)).sum::<f64>();
    let (fixed_wet, fixed_lean) = (sum(&wet), sum(&lean));
    let determinant = wet(x) * lean(y) - wet(y) * lean(x);
    let pair = Pair {
        x: (wet(y) * fixed_lean - fixed_wet * lean(y)) / determinant,
        y: (fixed_wet * lean(x) - wet(x) * fixed_lean) / determinant,
    };
    match (pair.x >= 0.0, pair.y >= 0.0) {
        _ if !pair.x.is_finite() || !pair.y.is_finite() => Err(Infeasible::Undetermined),
        (true, true) => Ok(pair),
        (false, true) => Err(Infeasible::FirstNegative(pair)),
        (true, false) => Err(Infeasible::SecondNegative(pair)),
        (false, false) => Err(Infeasible::BothNegative(pair)),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn material() -> impl Strategy<Value = Material> {
        (5.0..90.0, 0.1..8.0, 20.0..60.0).prop_map(|(moisture, nitrogen, carbon)| Material {
            moisture,
            nitrogen,
            carbon,
        })
    }

    proptest! {
        #[test]
        fn what_was_solved_meets_the_goals(
            first in material(), second in material(), third in material(), mass in 1.0..1e4, goal in 30.0..70.0, cn in 15.0..50.0,
        ) {
            if let Ok(added) = second_for_moisture(mass, first.moisture, second.moisture, goal) {
                let mixed = mix(&[(mass, first), (added, second)]).expect("mass");
                prop_assert!((mixed.moisture - goal).abs() < 1e-6);
            }
            if let Ok(added) = second_for_cn(mass, &first, &second, cn) {
                let mixed = mix(&[(mass, first), (added, second)]).expect("mass");
                prop_assert!((mixed.cn.expect("nitrogen") - cn).abs() < 1e-6 * cn);
            }
            if let Ok(pair) = solve_two(&[(mass, first)], &second, &third, goal, cn) {
                let mixed = mix(&[(mass, first), (pair.x, second), (pair.y, third)]).expect("mass");
                prop_assert!((mixed.moisture - goal).abs() < 1e-4, "{mixed:?}");
                prop_assert!((mixed.cn.expect("nitrogen") - cn).abs() < 1e-4 * cn, "{mixed:?}");
            }
        }

        #[test]
        fn a_mix_lies_between_its_materials(a in material(), b in material(), share in 0.01..0.99) {
            let mixed = mix(&[(share, a), (1.0 - share, b)]).expect("mass");
            let between = |x: f64, p: f64, q: f64| x >= p.min(q) - 1e-9 && x <= p.max(q) + 1e-9;
            prop_assert!(between(mixed.moisture, a.moisture, b.moisture));
            prop_assert!(between(mixed.cn.expect("nitrogen"), a.cn().expect("n"), b.cn().expect("n")));
        }
    }
}
