//! Moist air against `PsychroLib`.

use heapward_rules::physics::{MoistAir, saturation_pressure_pa};
use heapward_rules::units::Celsius;
use serde_json::{Value, json};

use super::dice::Dice;
use super::python;

#[test]
fn saturation_humidity_enthalpy_and_volume_of_2000_states_are_the_reference_s() {
    let mut dice = Dice::new(65);
    let states: Vec<(f64, f64, f64)> = (0..2_000)
        .map(|_| (dice.between(-30.0, 85.0), dice.between(0.01, 1.0), dice.between(70_000.0, 105_000.0)))
        .collect();
    let answer = python::ask("air.py", &json!({ "states": states }));
    let answers = answer.as_array().expect("one answer a state");
    assert_eq!(answers.len(), states.len());
    for ((t, humidity, pressure), theirs) in states.iter().zip(answers) {
        let air = MoistAir::new(Celsius(*t), *humidity, *pressure);
        let ours = [
            saturation_pressure_pa(Celsius(*t)),
            air.humidity_ratio,
            air.enthalpy_kj_per_kg() * 1_000.0,
            air.volume_m3_per_kg(),
        ];
        for (ours, theirs) in ours.iter().zip(theirs.as_array().expect("four figures")) {
            let theirs = Value::as_f64(theirs).expect("a number");
            assert!(
                (ours - theirs).abs() <= 1e-10 * theirs.abs().max(1e-3),
                "{t} C, {humidity}, {pressure} Pa: ours {ours}, theirs {theirs}"
            );
        }
    }
}
