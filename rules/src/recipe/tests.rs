//! Worked examples of handbooks, and figures computed by hand, for every function of the arithmetic. The published
//! checks with their sources run in the tests of the repository; these keep the rules honest by themselves.

use super::mix::{Infeasible, Material, mix, second_for_cn, second_for_moisture, solve_two};
use super::size::Shape;
use super::{aeration, calibration, carbon, classes, convert, dates, density, duct, reduction, water};
use crate::units::{Celsius, Span};

#[track_caller]
fn near(ours: f64, expected: f64) {
    assert!((ours - expected).abs() <= 5e-5 * expected.abs().max(1e-3), "ours {ours}, expected {expected}");
}

#[test]
fn units_of_the_trade() {
    near(convert::delta_c_to_f(0.5), 0.9);
    near(convert::lb_per_yd3_to_kg_per_m3(1_000.0), 593.276);
    near(convert::kg_per_m3_to_lb_per_yd3(593.276), 1_000.0);
    near(convert::lb_per_gallon_to_lb_per_yd3(7.2), 1_454.21);
    near(convert::cfm_to_m3_per_h(100.0), 169.901);
    near(convert::cfm_to_litres_per_s(100.0), 47.1947);
    near(convert::m3_per_min_to_cfm(2.831_684_66), 100.0);
    near(convert::inches_of_water_to_pa(2.0), 498.178);
    near(convert::cubic_feet_to_cubic_yards(54.0), 2.0);
}

const GRASS: Material = Material { moisture: 77.0, nitrogen: 2.4, carbon: 45.0 };
const LEAVES: Material = Material { moisture: 35.0, nitrogen: 0.75, carbon: 50.0 };
const LAYER_MANURE: Material = Material { moisture: 69.0, nitrogen: 8.0, carbon: 48.0 };
const DRY_LEAVES: Material = Material { moisture: 38.0, nitrogen: 0.9, carbon: 48.6 };

#[test]
fn grass_and_leaves() {
    near(second_for_moisture(10.0, 77.0, 35.0, 60.0).expect("between"), 6.8);
    assert_eq!(second_for_moisture(10.0, 77.0, 70.0, 60.0), Err(Infeasible::GoalNotBetween));
    assert_eq!(second_for_moisture(10.0, 77.0, 60.0, 60.0), Err(Infeasible::GoalNotBetween));
    near(second_for_moisture(10.0, 60.0, 35.0, 60.0).expect("there already"), 0.0);
    near(second_for_cn(10.0, &GRASS, &LEAVES, 30.0).expect("between"), 3.474_13);
    assert_eq!(second_for_cn(10.0, &GRASS, &LAYER_MANURE, 30.0), Err(Infeasible::GoalNotBetween));
    assert_eq!(second_for_cn(10.0, &GRASS, &LEAVES, 70.0), Err(Infeasible::GoalNotBetween));
    near(second_for_cn(10.0, &GRASS, &LEAVES, 18.75).expect("there already"), 0.0);
    let there = Material { moisture: 35.0, nitrogen: 1.0, carbon: 30.0 };
    assert_eq!(second_for_cn(10.0, &LEAVES, &there, 30.0), Err(Infeasible::GoalNotBetween));
    let paper = Material { moisture: 10.0, nitrogen: 0.0, carbon: 45.0 };
    let added = second_for_cn(10.0, &GRASS, &paper, 30.0).expect("carbon alone raises it");
    near(mix(&[(10.0, GRASS), (added, paper)]).and_then(|mixed| mixed.cn).expect("nitrogen"), 30.0);

    let mixed = mix(&[(10.0, GRASS), (6.8, LEAVES)]).expect("mass");
    near(mixed.mass, 16.8);
    near(mixed.moisture, 60.0);
    near(mixed.cn.expect("nitrogen"), 36.7289);
    near(mixed.nitrogen, 0.088_35);
    near(mixed.carbon, 3.245);
    assert_eq!(mix(&[]), None);
    assert_eq!(mix(&[(1.0, Material::WATER)]).and_then(|mixed| mixed.cn), None);
}

#[test]
fn two_unknowns_and_which_goal_blocks() {
    let pair =
        solve_two(&[(100.0, LAYER_MANURE)], &DRY_LEAVES, &Material::WATER, 58.0, 30.0).expect("feasible");
    near(pair.x, 444.444);
    near(pair.y, 185.45);
    let wet = solve_two(&[(100.0, GRASS)], &LEAVES, &Material::WATER, 60.0, 30.0);
    let Err(Infeasible::SecondNegative(pair)) = wet else { panic!("{wet:?}") };
    near(pair.x, 34.7413);
    near(pair.y, -20.7867);
    let swapped = solve_two(&[(100.0, GRASS)], &Material::WATER, &LEAVES, 60.0, 30.0);
    assert!(matches!(swapped, Err(Infeasible::FirstNegative(_))), "{swapped:?}");
    let same = solve_two(&[(100.0, GRASS)], &LEAVES, &LEAVES, 60.0, 30.0);
    assert_eq!(same, Err(Infeasible::Undetermined));
    let lean = Material { moisture: 50.0, nitrogen: 1.0, carbon: 20.0 };
    let both = solve_two(&[(100.0, GRASS)], &lean, &LAYER_MANURE, 40.0, 40.0);
    assert!(matches!(both, Err(Infeasible::FirstNegative(_) | Infeasible::BothNegative(_))), "{both:?}");
}

#[test]
fn carbon_that_cannot_be() {
    let of = |nitrogen, cn| Material::from_cn(39.0, nitrogen, cn);
    near(of(0.11, 442.0).carbon, 48.62);
    assert!(of(0.11, 442.0).is_plausible() && of(1.0, 20.0).is_plausible() && of(1.0, 60.0).is_plausible());
    assert!(!of(0.24, 442.0).is_plausible() && !of(1.0, 19.9).is_plausible());
}

#[test]
fn water_in_a_sample_and_to_add() {
    near(water::moisture_by_drying(10.0, 4.0, 6.3), 77.0);
    near(water::wet_to_dry_basis(60.0), 150.0);
    near(water::wet_basis_to_volume(55.0, 550.0), 30.25);
    near(water::water_to_add(1_000.0, 40.0, 55.0).expect("below 100"), 333.333);
    near(water::water_to_add(1_000.0, 65.0, 55.0).expect("below 100"), -222.222);
    assert_eq!(water::water_to_add(1_000.0, 50.0, 100.0), None);
    near(water::mass_after_drying(1_000.0, 60.0, 50.0).expect("below 100"), 800.0);
    assert_eq!(water::mass_after_drying(1_000.0, 60.0, 100.0), None);
    near(water::lb_to_gallons(333.333), 39.944);
}

#[test]
fn density_and_free_air() {
    near(density::by_bucket_lb_per_yd3(20.0, 5.0), 807.896);
    near(density::by_bucket_kg_per_litre(10.0, 1.0, 20.0), 0.45);
    near(density::kg_per_litre_to_lb_per_yd3(0.45), 758.5);
    near(density::free_air_space_by_filling(8.55, 19.0), 45.0);
    near(density::free_air_space(600.0, 0.4, 0.8), 50.08);
    near(density::free_air_space(950.0, 0.35, 0.85), 18.5906);
    near(density::free_air_space_linear(600.0), 46.66);
}

#[test]
fn size_carbon_and_what_is_left() {
    near(Shape::Parabola { width: 10.0, height: 5.0, length: 20.0 }.volume(), 666.667);
    near(Shape::Triangle { width: 10.0, height: 5.0, length: 20.0 }.volume(), 500.0);
    near(Shape::Trapezoid { bottom: 10.0, top: 4.0, height: 5.0, length: 20.0 }.volume(), 700.0);
    near(Shape::Cone { radius: 5.0, height: 4.0 }.volume(), 104.7198);
    near(carbon::from_ash(10.0), 50.0);
    near(carbon::from_organic_matter(54.0), 29.16);
    near(carbon::biodegradable_share(10.0), 0.55);
    near(carbon::biodegradable_share(35.0), 0.0);
    near(carbon::biodegradable_cn(51.1, 0.58, 15.0), 36.1224);
    near(reduction::volatile_solids_lost(10.0, 30.0), 0.740_741);
    near(reduction::dry_mass_lost(10.0, 30.0), 0.666_667);
    let (wet, lost) = reduction::mass_at_the_end(10_000.0, 60.0, 0.4, 45.0);
    near(wet, 4_363.636);
    near(lost, 4_036.364);
    near(reduction::volume_at_the_end(20.0, 0.4), 12.0);
}

#[test]
fn air_for_a_pile() {
    near(aeration::duty(5.0, 25.0), 0.166_667);
    near(aeration::void_ft3(10.0, 0.45), 121.5);
    near(aeration::minutes_per_exchange(121.5, 60.0), 2.025);
    let store = aeration::oxygen_store_kg_per_m3(0.45, Celsius(55.0), 0.2095, 0.05);
    assert!((store - 0.072_02).abs() < 2e-5, "{store}");
    near(aeration::minutes_of_store(0.07202, 2.0, 200.0), 10.803);
    let needs = aeration::demand(1_000.0, 0.5, 1.6, 20.0);
    near(needs.oxygen_kg, 800.0);
    near(needs.air_kg, 3_457.217);
    near(needs.air_m3, 2_881.01);
    near(needs.mean_m3_per_min, 0.100_035);
    near(needs.mean_cfm, 3.532_7);
    near(aeration::cfm_by_timer(2.0, 1.0 / 3.0), 60.0);
    near(aeration::cfm_by_temperature(2.0), 200.0);
    near(aeration::cfm_by_volume(20.0, 5.0), 100.0);
}

#[test]
fn pipes_holes_and_fans() {
    near(duct::velocity_fpm(100.0, 4.0), 1_145.916);
    near(duct::velocity_pressure_in(1_145.916), 0.081_867);
    near(duct::friction_in_per_100_ft(100.0, 4.0), 0.654_08);
    let pipe = duct::Pipe {
        diameter_in: 4.0,
        length_ft: 20.0,
        roughness_m: 1.5e-6,
        density: 1.204,
        viscosity: 1.813e-5,
    };
    let flow = pipe.flow(100.0);
    for (ours, expected) in [
        (flow.velocity_m_per_s, 5.8213),
        (flow.reynolds, 39_277.0),
        (flow.friction, 0.022_11),
        (flow.friction_explicit, 0.021_99),
        (flow.pressure_pa, 27.061),
        (flow.pressure_in, 0.108_64),
    ] {
        assert!((ours - expected).abs() <= 3e-4 * expected, "ours {ours}, expected {expected}");
    }
    near(duct::christiansen_factor(2.0, 5.0), 0.44);
    near(duct::christiansen_factor(1.9, 10.0), 0.396_408);
    near(duct::hole_diameter_in(4.0, 12.0, 20.0, 1.0), 0.894_427);
    near(duct::hole_diameter_in(4.0, 6.0, 20.0, 2.0), 0.447_214);
    near(duct::holes(6.0, 20.0), 40.0);
    near(duct::air_hp(100.0, 4.0), 0.062_933);
    near(duct::hp_to_watts(0.157_33), 117.321);
}

#[test]
fn thermometers() {
    let read = |c| Celsius(c);
    let correction =
        calibration::Correction::two_point(read(0.4), read(99.1), read(99.0)).expect("two points");
    near(correction.gain, 1.003_04);
    near(correction.offset, -0.401_216);
    near(correction.apply(read(55.4)).0, 55.1672);
    assert_eq!(calibration::Correction::two_point(read(1.0), read(1.0), read(99.0)), None);
    near(calibration::class_b_tolerance_c(read(55.0)), 0.575);
    near(calibration::class_b_tolerance_c(read(-20.0)), 0.4);
    near(calibration::guarded_limit_f(131.0, 0.9), 131.9);
}

#[test]
fn bands_levels_and_classes_at_their_edges() {
    use classes::{AlarmLevel, Band, DewarClass, FireRisk};
    let f = Celsius::from_f;
    let bands = [49.9, 50.0, 104.9, 105.0, 159.9, 160.0, 170.0, 170.1].map(|at| classes::band(f(at)));
    let expected = [
        Band::Psychrophilic,
        Band::Mesophilic,
        Band::Mesophilic,
        Band::Thermophilic,
        Band::Thermophilic,
        Band::Inhibition,
        Band::Inhibition,
        Band::OverBand,
    ];
    assert_eq!(bands, expected);
    let levels =
        [159.9, 160.0, 164.9, 165.0, 170.0, 170.1, 184.9, 185.0].map(|at| classes::alarm_level(f(at)));
    let expected = [
        AlarmLevel::Fine,
        AlarmLevel::Warn,
        AlarmLevel::Warn,
        AlarmLevel::WatchClosely,
        AlarmLevel::WatchClosely,
        AlarmLevel::OffBand,
        AlarmLevel::OffBand,
        AlarmLevel::FireAction,
    ];
    assert_eq!(levels, expected);
    let dewar = [10.0, 10.1, 20.0, 20.1, 30.0, 30.1, 40.0, 40.1].map(classes::dewar_class);
    let expected = [
        DewarClass::V,
        DewarClass::IV,
        DewarClass::IV,
        DewarClass::III,
        DewarClass::III,
        DewarClass::II,
        DewarClass::II,
        DewarClass::I,
    ];
    assert_eq!(dewar, expected);
    let fire = [
        (30.0, 175.0),
        (58.0, 175.0),
        (30.0, 150.0),
        (58.0, 150.0),
        (45.0, 165.0),
        (46.0, 164.0),
        (19.0, 165.0),
    ]
    .map(|(moisture, at)| classes::fire_risk(moisture, f(at)));
    let expected = [
        FireRisk::High,
        FireRisk::Raised,
        FireRisk::Raised,
        FireRisk::Low,
        FireRisk::High,
        FireRisk::Low,
        FireRisk::Raised,
    ];
    assert_eq!(fire, expected);
}

#[test]
fn maturity_stall_and_counts() {
    use classes::MaturityTests;
    let none = MaturityTests::default();
    let oxygen = |uptake| MaturityTests { oxygen_mg_per_kg_h: Some(uptake), ..none };
    let gas = |given| MaturityTests { carbon_dioxide_mg_per_g_day: Some(given), ..none };
    let rise = |rise| MaturityTests { rise_c: Some(rise), ..none };
    for (days, tests, mature) in [
        (21.0, oxygen(400.0), true),
        (20.9, oxygen(400.0), false),
        (21.0, oxygen(400.1), false),
        (21.0, gas(4.0), true),
        (21.0, gas(4.1), false),
        (21.0, rise(7.9), true),
        (21.0, rise(8.0), false),
        (30.0, none, false),
    ] {
        assert_eq!(classes::is_mature(days, &tests), mature, "{days} {tests:?}");
    }
    assert!(classes::is_stalled_start(Span::days(7), Celsius(54.9)));
    assert!(!classes::is_stalled_start(Span::days(7), Celsius(55.0)));
    assert!(!classes::is_stalled_start(Span::days(6), Celsius(40.0)));
    let by_volume = [0.0, 10.0, 200.0, 201.0, 650.0].map(classes::california_readings_by_volume);
    assert_eq!(by_volume, [1, 1, 1, 2, 4]);
    assert_eq!([150.0, 151.0, 310.0].map(classes::california_readings_by_length), [1, 2, 3]);
}

#[test]
fn vector_attraction_is_strict_in_both_temperatures_and_takes_fourteen_days() {
    let met = |pieces: &[(f64, i64)]| {
        let pieces: Vec<(Celsius, Span)> =
            pieces.iter().map(|(t, hours)| (Celsius(*t), Span::hours(*hours))).collect();
        classes::vector_attraction(&pieces).map(|(met, mean)| (met, (mean.0 * 100.0).round() / 100.0))
    };
    assert_eq!(met(&[(46.0, 336)]), Some((true, 46.0)));
    assert_eq!(met(&[(45.0, 336)]), Some((false, 45.0)));
    assert_eq!(met(&[(40.5, 168), (50.0, 168)]), Some((true, 45.25)));
    assert_eq!(met(&[(55.0, 335), (40.0, 1)]), Some((false, 54.96)));
    assert_eq!(met(&[(60.0, 335)]), Some((false, 60.0)));
    assert_eq!(met(&[]), None);
}

#[test]
fn dates_of_the_rules() {
    let date = |text| dates::Date::parse(text).expect("a date");
    let text = |date: Option<dates::Date>| date.map(|date| date.to_string()).unwrap_or_default();
    assert_eq!(text(dates::earliest_harvest(date("2027-12-01"), true)), "2028-03-30");
    assert_eq!(text(dates::earliest_harvest(date("2027-12-01"), false)), "2028-02-29");
    assert_eq!(text(dates::latest_incorporation(date("2026-07-15"), true)), "2026-03-17");
    assert_eq!(text(dates::keep_organic_until(date("2026-03-15"))), "2031-03-15");
    assert_eq!(text(dates::keep_produce_until(date("2026-03-15"))), "2028-03-15");
    let day = date("2026-05-09");
    assert_eq!((day.year(), day.month(), day.day(), day.number()), (2026, 5, 9, 20_582));
    // The last day of the four hundred years by which the calendar repeats itself.
    assert_eq!(text(dates::Date::from_number(11_016)), "2000-02-29");
}
