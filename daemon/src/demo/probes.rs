//! Probes as a farm has them: in a place of a pile, with noise and steps, now and then broken.

use heapward_rules::reading::{Quantity, Unit};
use heapward_rules::units::{At, Celsius, Span};

use super::air::Air;
use super::bay::Bay;
use super::chance::Chance;

/// Where a probe is and what it measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mount {
    /// Temperature in a zone: 0 core, 1 middle, 2 outer layer; so much warmer than the zone's mean.
    Zone { zone: usize, warmer_c: f64 },
    /// An index of the moisture in core and middle, %.
    Moisture,
    /// The air in the shed.
    Ambient,
    /// A metering plug in front of the blower.
    Blower,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// The sensor resets again and again: 85.0 C for a share of its readings.
    PowerOn {
        share: f64,
    },
    /// Says its last value for ever.
    Stuck,
    Silent,
    /// Lies on the ground beside the pile.
    PulledOut,
}

#[derive(Clone, Debug)]
pub struct Probe {
    pub id: &'static str,
    /// Index of the bay that it stands in.
    pub bay: usize,
    pub mount: Mount,
    pub every: Span,
    /// The unit in which it reports.
    pub unit: Unit,
    pub fault: Option<Fault>,
    chance: Chance,
    last: Option<f64>,
}

/// What a probe says at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    pub at: At,
    pub probe: &'static str,
    pub value: f64,
}

/// Step of a 12-bit 1-wire sensor, C.
const STEP_C: f64 = 0.0625;
const NOISE_C: f64 = 0.08;
/// How deep the blower's air dents the temperature at each zone's probes, C, and how fast it recovers.
const DENT_C: [f64; 3] = [0.6, 0.35, 0.2];
const DENT_MINUTES: f64 = 9.0;
const BLOWER_WATT: f64 = 118.0;

// === impl Probe ===

impl Probe {
    pub fn new(id: &'static str, bay: usize, mount: Mount, every: Span, unit: Unit, seed: u64) -> Probe {
        let chance = Chance::new(seed).branch(id);
        Probe { id, bay, mount, every, unit, fault: None, chance, last: None }
    }

    pub fn quantity(&self) -> Quantity {
        match self.mount {
            Mount::Zone { .. } | Mount::Ambient => Quantity::Temperature,
            Mount::Moisture => Quantity::Moisture,
            Mount::Blower => Quantity::Blower,
        }
    }

    /// Whether it is this probe's turn at a full minute. Probes of one interval speak one after the other.
    pub fn speaks_at(&self, at: At) -> bool {
        let minute = at.0.div_euclid(60_000);
        let every = (self.every.0 / 60_000).max(1);
        minute.rem_euclid(every) == 0
    }

    /// What it says of its bay at an instant, in its own unit; nothing where it is silent or stands nowhere.
    pub fn read(&mut self, at: At, bay: &Bay, air: Air) -> Option<Said> {
        let noise = self.chance.normal();
        let resets = self.chance.unit();
        let value = match (self.fault, self.last) {
            (Some(Fault::Silent), _) => return None,
            (Some(Fault::Stuck), Some(last)) => last,
            (Some(Fault::PowerOn { share }), _) if resets < share => self.in_unit(85.0),
            (Some(Fault::PulledOut), _) => self.in_unit(step(air.t_c + NOISE_C * noise)),
            _ => self.measure(at, bay, air, noise)?,
        };
        self.last = Some(value);
        Some(Said { at, probe: self.id, value })
    }

    fn measure(&self, at: At, bay: &Bay, air: Air, noise: f64) -> Option<f64> {
        Some(match self.mount {
            Mount::Zone { zone, warmer_c } => {
                let t_c = *bay.heap()?.temperatures().get(zone)?;
                let dent = DENT_C.get(zone)? * (-bay.minutes_since_air(at) / DENT_MINUTES).exp();
                self.in_unit(step(t_c + warmer_c - dent + NOISE_C * noise))
            }
            Mount::Moisture => {
                let [core, middle, _] = bay.heap()?.moistures();
                ((core + middle) * 50.0 + 0.7 * noise).clamp(0.0, 100.0).round()
            }
            Mount::Ambient => self.in_unit(step(air.t_c + NOISE_C * noise)),
            Mount::Blower if bay.blows(at) => (BLOWER_WATT + 1.5 * noise).round(),
            Mount::Blower => 0.0,
        })
    }

    fn in_unit(&self, t_c: f64) -> f64 {
        if self.unit == Unit::Fahrenheit { (Celsius(t_c).to_f() * 10.0).round() / 10.0 } else { t_c }
    }
}

fn step(t_c: f64) -> f64 {
    (t_c / STEP_C).round() * STEP_C
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::bay::Timer;
    use crate::demo::stock;

    const AT: At = At(1_777_000_020_000);
    const AIR: Air = Air { t_c: 11.0, humidity: 0.6 };

    fn core_probe(unit: Unit) -> (Probe, Bay) {
        let mut bay = Bay::empty(Timer { on_seconds: 60, every_minutes: 30 });
        bay.build("2026-03", stock::QUILLBACK, AT);
        let mount = Mount::Zone { zone: 0, warmer_c: 0.5 };
        (Probe::new("k1", 0, mount, Span::minutes(5), unit, 4), bay)
    }

    fn values(probe: &mut Probe, bay: &Bay) -> Vec<Option<f64>> {
        (0..40).map(|n| probe.read(AT + Span::minutes(n), bay, AIR).map(|said| said.value)).collect()
    }

    #[test]
    fn a_sound_probe_says_its_zone_in_steps_of_its_unit() {
        let (mut celsius, bay) = core_probe(Unit::Celsius);
        let said: Vec<f64> = values(&mut celsius, &bay).into_iter().flatten().collect();
        assert_eq!(said.len(), 40);
        assert!(said.iter().all(|v| (40.0..42.2).contains(v) && (v / STEP_C).fract() == 0.0), "{said:?}");
        let (mut fahrenheit, _) = core_probe(Unit::Fahrenheit);
        let said: Vec<f64> = values(&mut fahrenheit, &bay).into_iter().flatten().collect();
        assert!(said.iter().all(|v| (104.0..108.0).contains(v)), "{said:?}");
    }

    #[test]
    fn faults_look_like_the_faults_of_sensors() {
        let (mut probe, bay) = core_probe(Unit::Celsius);
        probe.fault = Some(Fault::PowerOn { share: 0.3 });
        let resets = values(&mut probe, &bay).iter().filter(|v| **v == Some(85.0)).count();
        assert!((5..22).contains(&resets), "{resets}");
        probe.fault = Some(Fault::Stuck);
        let stuck = values(&mut probe, &bay);
        assert!(stuck.iter().all(|v| *v == stuck[0]));
        probe.fault = Some(Fault::PulledOut);
        assert!(values(&mut probe, &bay).iter().flatten().all(|v| (v - AIR.t_c).abs() < 0.6));
        probe.fault = Some(Fault::Silent);
        assert!(values(&mut probe, &bay).iter().all(Option::is_none));
    }
}
