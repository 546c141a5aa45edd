//! Bands and classes of handbooks and product rules: yardsticks in words, none of them a verdict.

use crate::units::{At, Celsius, Span};

/// Range in which microbes of a kind work. NRAES-54; above 160 F they die back, above 170 F the range of the organic
/// rule ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Band {
    Psychrophilic,
    Mesophilic,
    Thermophilic,
    Inhibition,
    OverBand,
}

/// How grave a temperature is by itself: 160 F turn or cool (NC DEQ), 165 F watch closely and 185 F act at once (NRCS
/// practice standard 317), 170 F end of the organic range.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum AlarmLevel {
    Fine,
    Warn,
    WatchClosely,
    OffBand,
    FireAction,
}

/// Class of the self-heating test in a Dewar flask: V is finished, I is fresh. Brinton et al. 1995, TMECC 05.08-D; a rise
/// equal to a limit belongs to the stabler class (ours).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DewarClass {
    V,
    IV,
    III,
    II,
    I,
}

/// Risk of fire by moisture and temperature: about 20 to 45 % is the dangerous window (Buggeln and Rynk 2002).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FireRisk {
    Low,
    /// Hot, or in the dangerous window of moisture.
    Raised,
    /// Both.
    High,
}

pub fn band(temperature: Celsius) -> Band {
    let below = |f| temperature.is_below(Celsius::from_f(f));
    match () {
        () if below(50.0) => Band::Psychrophilic,
        () if below(105.0) => Band::Mesophilic,
        () if below(160.0) => Band::Thermophilic,
        () if !temperature.is_above(Celsius::from_f(170.0)) => Band::Inhibition,
        () => Band::OverBand,
    }
}

pub fn alarm_level(temperature: Celsius) -> AlarmLevel {
    let below = |f| temperature.is_below(Celsius::from_f(f));
    match () {
        () if below(160.0) => AlarmLevel::Fine,
        () if below(165.0) => AlarmLevel::Warn,
        () if !temperature.is_above(Celsius::from_f(170.0)) => AlarmLevel::WatchClosely,
        () if below(185.0) => AlarmLevel::OffBand,
        () => AlarmLevel::FireAction,
    }
}

/// Class by the highest rise over the room, in °C.
pub fn dewar_class(rise_c: f64) -> DewarClass {
    match rise_c {
        rise if rise <= 10.0 => DewarClass::V,
        rise if rise <= 20.0 => DewarClass::IV,
        rise if rise <= 30.0 => DewarClass::III,
        rise if rise <= 40.0 => DewarClass::II,
        _ => DewarClass::I,
    }
}

/// What may show maturity under the Canadian guidelines of 2005 (figures from memory): one of them is enough.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MaturityTests {
    /// mg of oxygen per kg of volatile solids and hour: at most 400.
    pub oxygen_mg_per_kg_h: Option<f64>,
    /// mg of carbon as CO2 per g of organic matter and day: at most 4.
    pub carbon_dioxide_mg_per_g_day: Option<f64>,
    /// Rise over the air, °C: less than 8.
    pub rise_c: Option<f64>,
}

/// Cured for at least 21 days, and one test passed.
pub fn is_mature(days_cured: f64, tests: &MaturityTests) -> bool {
    days_cured >= 21.0
        && (tests.oxygen_mg_per_kg_h.is_some_and(|uptake| uptake <= 400.0)
            || tests.carbon_dioxide_mg_per_g_day.is_some_and(|given_off| given_off <= 4.0)
            || tests.rise_c.is_some_and(|rise| rise < 8.0))
}

/// Whether a start has stalled: operating temperature within about seven days (NRCS practice standard 317).
pub fn is_stalled_start(age: Span, hottest: Celsius) -> bool {
    age >= Span::days(7) && hottest.is_below(Celsius(55.0))
}

pub fn fire_risk(moisture_percent: f64, temperature: Celsius) -> FireRisk {
    let is_hot = !temperature.is_below(Celsius::from_f(165.0));
    let is_dry = (20.0..=45.0).contains(&moisture_percent);
    match (is_hot, is_dry) {
        (true, true) => FireRisk::High,
        (false, false) => FireRisk::Low,
        _ => FireRisk::Raised,
    }
}

/// Readings a day that California asks for: one for each 200 cubic yards of active compost or fraction, 14 CCR 17868.3.
pub fn california_readings_by_volume(cubic_yards: f64) -> u32 {
    started(cubic_yards, 200.0)
}

/// The same for a windrow: one for each 150 ft or fraction.
pub fn california_readings_by_length(feet: f64) -> u32 {
    started(feet, 150.0)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped before the cast")]
fn started(amount: f64, each: f64) -> u32 {
    (amount / each).ceil().clamp(1.0, 1e9) as u32
}

/// Vector attraction by an aerobic process, 40 CFR 503.33(b)(5): at least 14 days, all the time above 40 °C, the mean
/// above 45 °C; both strictly. From (temperature, span) pieces; gives (met, mean).
pub fn vector_attraction(pieces: &[(Celsius, Span)]) -> Option<(bool, Celsius)> {
    let hours: f64 = pieces.iter().map(|(_, span)| span.as_hours()).sum();
    if hours <= 0.0 {
        return None;
    }
    let mean = Celsius(pieces.iter().map(|(t, span)| t.0 * span.as_hours()).sum::<f64>() / hours);
    let always = pieces.iter().all(|(t, _)| t.is_above(Celsius(40.0)));
    Some((hours >= 14.0 * 24.0 && always && mean.is_above(Celsius(45.0)), mean))
}

/// Significant reduction of pathogens by composting: so warm for so long, with a peak of so long within it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PeakedRun {
    pub at_least: Celsius,
    pub during: Span,
    /// Strictly above.
    pub peak_above: Celsius,
    pub peak_during: Span,
}

/// 40 CFR 503 App. B: 40 °C or more for 5 days, with more than 55 °C for 4 h within them.
pub const SIGNIFICANT_REDUCTION: PeakedRun = PeakedRun {
    at_least: Celsius(40.0),
    during: Span::days(5),
    peak_above: Celsius(55.0),
    peak_during: Span::hours(4),
};

impl PeakedRun {
    /// When it was met, from readings in order of time not further apart than `gap_max`. A stretch counts between
    /// readings that both show it, and both are read as unbroken.
    pub fn met_at(&self, readings: &[(At, Celsius)], gap_max: Span) -> Option<At> {
        let (mut warm_since, mut peak_since, mut peaked) = (None, None, false);
        let mut newest: Option<At> = None;
        for (at, temperature) in readings {
            let cold = temperature.is_below(self.at_least);
            if cold || newest.is_some_and(|before| *at - before > gap_max) {
                (warm_since, peak_since, peaked) = (None, None, false);
            }
            newest = Some(*at);
            if cold {
                continue;
            }
            let warm = *warm_since.get_or_insert(*at);
            peak_since = temperature.is_above(self.peak_above).then_some(peak_since.unwrap_or(*at));
            peaked |= peak_since.is_some_and(|since| *at - since >= self.peak_during);
            if peaked && *at - warm >= self.during {
                return Some(*at);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn significant_reduction_needs_five_warm_days_with_four_hot_hours() {
        let readings = |hot: std::ops::Range<i64>, cold: Option<i64>, hours: i64| -> Vec<(At, Celsius)> {
            let value = |hour| match hour {
                hour if Some(hour) == cold => 39.9,
                hour if hot.contains(&hour) => 56.0,
                _ => 40.0,
            };
            (0..=hours).map(|hour| (At(0) + Span::hours(hour), Celsius(value(hour)))).collect()
        };
        let met = |list: Vec<(At, Celsius)>| {
            SIGNIFICANT_REDUCTION.met_at(&list, Span::hours(4)).map(|at| at.0 / 3_600_000)
        };
        assert_eq!(met(readings(10..15, None, 200)), Some(120));
        assert_eq!(met(readings(10..14, None, 200)), None, "three hours between four readings");
        assert_eq!(met(readings(10..15, Some(50), 200)), None, "the hot hours lie before the cold one");
        assert_eq!(met(readings(60..65, Some(50), 200)), Some(171));
        assert_eq!(met(readings(10..15, None, 119)), None);
        let sparse: Vec<(At, Celsius)> = readings(0..200, None, 200).into_iter().step_by(5).collect();
        assert_eq!(met(sparse), None, "gaps of five hours prove nothing");
    }
}
