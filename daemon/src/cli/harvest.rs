//! `heapward harvest`: the dates of raw manure, as the calendar has them.

use heapward_rules::recipe::dates::{Date, earliest_harvest, latest_incorporation};

use super::{Failure, Outcome, WRONG_USE, print};

/// Dates of raw manure: from when on may be harvested, or until when it has to be worked in
#[derive(Debug, clap::Args)]
#[command(arg_required_else_help = true)]
pub struct HarvestArgs {
    /// The day on which raw manure is worked in, such as 2026-05-01
    #[arg(long, value_name = "DATE", value_parser = date)]
    worked_in: Option<Date>,
    /// The day of a planned harvest
    #[arg(long, value_name = "DATE", value_parser = date)]
    planned: Option<Date>,
}

fn date(text: &str) -> Result<Date, String> {
    Date::parse(text).ok_or_else(|| "write a date such as 2026-05-01".to_owned())
}

/// Prints the dates of 7 CFR 205.203(c)(1).
pub fn run(args: &HarvestArgs) -> Outcome {
    let beyond = || Failure::new(WRONG_USE, "this lies beyond the calendar");
    if let Some(worked_in) = args.worked_in {
        let of = |soil| earliest_harvest(worked_in, soil).ok_or_else(beyond);
        print(&format!(
            "Raw manure worked in on {worked_in}: harvest not before\n  {} where the edible part touches the soil (120 days)\n  \
             {} where it does not (90 days)\n",
            of(true)?,
            of(false)?
        ))?;
    }
    if let Some(planned) = args.planned {
        let of = |soil| latest_incorporation(planned, soil).ok_or_else(beyond);
        print(&format!(
            "For a harvest on {planned} raw manure is worked in not after\n  {} where the edible part touches the soil (120 \
             days)\n  {} where it does not (90 days)\n",
            of(true)?,
            of(false)?
        ))?;
    }
    if let (Some(worked_in), Some(planned)) = (args.worked_in, args.planned)
        && let (Some(soil), Some(no_soil)) =
            (earliest_harvest(worked_in, true), earliest_harvest(worked_in, false))
        && planned < soil
    {
        let whom = if planned < no_soil { "for any crop" } else { "where the edible part touches the soil" };
        return Err(Failure::failed(format!("{planned} is too early {whom} (7 CFR 205.203(c)(1))")));
    }
    Ok(())
}
