//! `bellcrank plant`: the simulated machine at the terminals of an industrial controller.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use bellcrank_core::inputs::{Mode, Station};
use bellcrank_linux::mapping::{self, StationPlaces, Wanted};
use bellcrank_machine::document;
use clap::builder::NonEmptyStringValueParser;
use miette::{IntoDiagnostic, miette};

use super::{Console, Verdict};
use crate::live;
use crate::scenario::{self, Act, Scenario};
use crate::terminals::{Hands, Plant, end};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
The simulated machine in real time at the terminals of an industrial controller: bellcrank-linux runs the core at the \
other end, with the same mapping

The terminals are a process image or a Modbus TCP server, as the mapping says. Their watchdog takes all power when the \
outputs are no longer refreshed, and holds until they have been told off. With a scenario its hands and faults act by \
the clock; without one, or with --hands, type what the hands do: enable, release, lever AXIS SHARE, neutral, reset, \
stop, clear, quit.

Built-in mappings: yard-digger-image, yard-digger-modbus, servo-digger-image, drystone-setter-image; crates/linux/io/ has \
these as examples.";

/// `bellcrank plant --io MAPPING`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Mapping of the terminals: a file, or the name of a built-in one
    #[arg(long, value_name = "MAPPING", value_parser = NonEmptyStringValueParser::new())]
    io: String,
    /// Name of a built-in scenario, or path of a scenario file: where the arms stand, what the hands do, what goes wrong
    #[arg(long, value_name = "SCENARIO")]
    scenario: Option<String>,
    /// Machine file, or the name of a built-in machine, in place of the one that the mapping names
    #[arg(long, value_name = "MACHINE")]
    machine: Option<String>,
    /// What the hands do is typed, whatever the scenario says
    #[arg(long)]
    hands: bool,
    /// End after so many seconds
    #[arg(long, value_name = "S")]
    for_s: Option<f64>,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let (file, text) = document::find("mapping", &self.io, &mapping::BUILTIN, Path::new(""))?;
        let scenario = self.scenario(&file, &text)?;
        let machine = live::built(&scenario.machine)?;
        let names: Vec<String> = scenario.machine.axes.iter().map(|axis| axis.name.clone()).collect();
        let wanted = Wanted {
            machine: &machine,
            names: &names,
        };
        let mapping = mapping::read(&file, &text, wanted)?;
        let over = Arc::new(AtomicBool::new(false));
        for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
            signal_hook::flag::register(signal, Arc::clone(&over)).into_diagnostic()?;
        }
        let hands = if self.hands || self.scenario.is_none() {
            Hands::typed(&scenario.machine, Arc::clone(&over))
        } else {
            can_be_carried(&scenario, &mapping)?;
            Hands::of_scenario()
        };
        let end = end(&mapping)?;
        let mut plant = Plant::new(&mapping, &scenario, &machine, end, hands)?;
        console.print(&format!(
            "{}, at the terminals of {}",
            scenario.machine.name, mapping.name
        ))?;
        console.caution();
        let length = self.for_s.and_then(|s| Duration::try_from_secs_f64(s).ok());
        plant.run(&over, length, |t, line| {
            // Whoever no longer reads on is no reason for a machine to stand still.
            let _ = console.print(&format!("{t:10.3} s  {line}"));
        })?;
        Ok(Verdict::Good)
    }

    /// The scenario on the machine of the mapping, or on the one that was asked for.
    fn scenario(&self, file: &str, text: &str) -> miette::Result<Scenario> {
        let named = mapping::machine_of(file, text)?;
        let (name, folder) = match &self.machine {
            Some(name) => (name.clone(), PathBuf::new()),
            None => (
                named,
                Path::new(file).parent().map_or_else(PathBuf::new, Path::to_path_buf),
            ),
        };
        let mut description = bellcrank_machine::find(&name, &folder)?;
        // That of the terminals is in its place.
        description.control.watchdog = None;
        let Some(source) = &self.scenario else {
            return Ok(Scenario::idle("terminals", Arc::new(description), name, f64::INFINITY));
        };
        let mut scenario = scenario::read(source)?;
        let (found, wanted) = (&scenario.machine.name, &description.name);
        if found != wanted {
            return Err(miette!(
                "scenario {source:?}: found the machine {found:?}, wanted {wanted:?}, which the mapping is for"
            ));
        }
        scenario.machine = Arc::new(description);
        Ok(scenario)
    }
}

/// What the hands of a scenario do goes through levers and switches.
fn can_be_carried(scenario: &Scenario, mapping: &mapping::Mapping) -> miette::Result<()> {
    let name = &scenario.name;
    if scenario
        .hands
        .iter()
        .any(|hand| matches!(hand.act, Act::GoTo { .. } | Act::Frame(_)))
    {
        return Err(miette!(
            "scenario {name:?}: found an order or a frame for the tip, wanted what levers and switches can say"
        ));
    }
    let places = match scenario.station {
        Station::Seat => Some(&mapping.seat),
        Station::Remote => mapping.remote.as_ref(),
    };
    let Some(StationPlaces::Wired(places)) = places else {
        return Err(miette!(
            "scenario {name:?}: found a station that is a pad, wanted one at the terminals"
        ));
    };
    let tip = scenario.mode == Mode::Tip && places.tip.is_some();
    if scenario.mode != places.mode && !tip {
        let (found, wanted) = (scenario.mode, places.mode);
        return Err(miette!(
            "scenario {name:?}: found levers that mean {found:?}, wanted {wanted:?}, which they mean in the mapping"
        ));
    }
    Ok(())
}
