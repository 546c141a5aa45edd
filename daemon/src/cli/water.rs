//! `heapward water`: how much water brings a mass to a moisture.

use heapward_rules::recipe::water::{lb_to_gallons, mass_after_drying, water_to_add};

use super::{Failure, Outcome, WRONG_USE, print};
use crate::mix::amount::Amount;

const EXAMPLES: &str = "\
Examples:
  heapward water --weight 1000lb --from 40 --to 55
  heapward water --weight 500kg --from 45

A pile of which Heapward keeps recipe and moisture is told by `heapward pile advise PILE`.";

/// Water to add to a mass, from one moisture to another
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct WaterArgs {
    /// What it weighs now, such as 1000lb or 500kg
    #[arg(long, value_name = "WEIGHT")]
    weight: String,
    /// Moisture now, % of the wet mass
    #[arg(long, value_name = "PERCENT")]
    from: f64,
    /// Moisture that is wanted
    #[arg(long, value_name = "PERCENT", default_value_t = 55.0)]
    to: f64,
}

const LITRES_PER_LB: f64 = 0.453_592_37;

/// Prints the water, or what is to dry where it is too wet.
pub fn run(args: &WaterArgs) -> Outcome {
    let wrong = |text: String| Failure::new(WRONG_USE, text);
    let pounds = Amount::parse(&args.weight).ok().and_then(Amount::pounds).ok_or_else(|| {
        wrong(format!("--weight {}: write pounds or kilograms, such as 1000lb", args.weight))
    })?;
    for (key, percent) in [("--from", args.from), ("--to", args.to)] {
        if !(0.0..100.0).contains(&percent) {
            return Err(wrong(format!("{key} {percent}: write % of the wet mass, 0 or more and below 100")));
        }
    }
    let water = water_to_add(pounds, args.from, args.to)
        .ok_or_else(|| wrong(format!("--to {}: no water reaches it", args.to)))?;
    if water < 0.0 {
        let left = mass_after_drying(pounds, args.from, args.to).unwrap_or(pounds);
        return print(&format!(
            "It is too wet: {:.0} lb of water have to go ({:.0} lb are left), or something dry has to be added.\n",
            -water, left
        ));
    }
    print(&format!(
        "{water:.1} lb of water: {:.2} gallons, {:.1} litres. In portions; what runs off was too much at once.\n",
        lb_to_gallons(water),
        water * LITRES_PER_LB
    ))
}
