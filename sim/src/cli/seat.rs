//! `bellcrank seat`: a live page in which somebody drives the simulated machine.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use bellcrank_core::inputs::{Mode, Station};
use bellcrank_machine::document;
use bellcrank_machine::{BUILTIN, Description, builtin};
use clap::builder::NonEmptyStringValueParser;
use miette::{IntoDiagnostic, WrapErr, miette};
use schemars::JsonSchema;
use serde::Serialize;
use tokio::net::TcpListener;

use super::{Console, OutFolder, Verdict};
use crate::live::built;
use crate::scenario::{self, Scenario};
use crate::seat::clock::{self, Setting};
use crate::seat::doors::Secret;
use crate::seat::hub::Hub;
use crate::seat::server::Server;
use crate::seat::session::{LONGEST_S, Session, settled, start};
use crate::seat::shelf::Shelf;

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Sit in the simulated machine: a page with both levers in hand and the real core under it

Serves one page on this machine and prints its link, which carries a secret; open it in a browser. A gamepad, the \
keyboard or fingers move the levers. Faults can be put in, figures of the machine file changed, and the session be \
written down: it is a scenario file then, and `bellcrank rehearse` on it is the same run to the bit. Files go to the \
output folder; the machine file that was given is written to only if that is asked for on the page. It ends with \
Ctrl-C.

Whoever opens the link first has the levers, others watch. Anybody may press the stop button. The browser is no \
hand control: how soon it is missed on a real machine is for that machine's link to say.";

const OPEN: &str = "\
Caution: anyone who can reach this address and has the link drives the simulated machine, and nothing that goes over the \
network is encrypted. Keep it to a network that you trust.";

/// `bellcrank seat [MACHINE]`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A machine file, or a built-in machine; "drystone setter" where nothing is told
    #[arg(value_name = "MACHINE", value_parser = NonEmptyStringValueParser::new())]
    machine: Option<String>,
    /// Begin as this scenario does: its pose, loads, ground and oil, and its machine where no other is told
    #[arg(long, value_name = "SCENARIO", value_parser = NonEmptyStringValueParser::new())]
    start: Option<String>,
    /// Take the levers of the wireless station
    #[arg(long)]
    remote: bool,
    /// Seed of the sensors' noise
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Address and port to serve on; port 0 is any that is free
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:0")]
    listen: SocketAddr,
    /// Serve on an address that others can reach
    #[arg(long)]
    open_to_network: bool,
    /// Times as fast as real time
    #[arg(long, value_name = "X", default_value_t = 1.0, value_parser = speed)]
    speed: f64,
}

/// What `seat --json` prints once it serves.
#[derive(Debug, Serialize, JsonSchema)]
pub struct SeatReport {
    /// The page's address, secret included.
    pub link: String,
    /// The machine.
    pub machine: String,
    /// Others than whoever sits at this computer can reach it.
    pub open_to_network: bool,
}

fn speed(text: &str) -> Result<f64, String> {
    let sensible = |x: &f64| (0.05..=4.0).contains(x);
    text.parse()
        .ok()
        .filter(sensible)
        .ok_or_else(|| "wanted 0.05 to 4".to_string())
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let (setting, given) = self.setting()?;
        // What cannot be simulated is found before anything is served.
        let core = built(&setting.machine)?;
        Session::new(&setting.scenario, &core, setting.seed)?;
        if !self.listen.ip().is_loopback() && !self.open_to_network {
            return Err(miette!(
                help = "add --open-to-network if others are to reach it",
                "--listen: found {}, which others can reach, wanted an address of this computer alone",
                self.listen.ip()
            ));
        }
        let out = console.open_out()?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .into_diagnostic()?;
        runtime.block_on(self.serve(console, setting, given, out))
    }

    async fn serve(
        &self,
        console: &Console,
        setting: Setting,
        given: Option<(PathBuf, String)>,
        out: OutFolder,
    ) -> miette::Result<Verdict> {
        let listener = TcpListener::bind(self.listen).await.into_diagnostic();
        let listener = listener.wrap_err_with(|| format!("--listen: {} cannot be served on", self.listen))?;
        let address = listener.local_addr().into_diagnostic()?;
        let secret = Secret::new();
        let report = SeatReport {
            link: format!("http://{address}/{secret}/"),
            machine: setting.machine.name.clone(),
            open_to_network: !address.ip().is_loopback(),
        };
        let shelf = Shelf::new(out, &setting.machine.name, given);
        let (hub, orders) = Hub::new(self.speed);
        let server = Server::new(Arc::clone(&hub), secret, address.port(), shelf);
        std::thread::Builder::new()
            .name("machine".to_string())
            .spawn(move || clock::run(&hub, &orders, setting))
            .into_diagnostic()?;
        console.show(&report, |report| {
            format!("{}: sit down at {}\nIt ends with Ctrl-C.", report.machine, report.link)
        })?;
        if report.open_to_network {
            console.remark(OPEN);
        }
        console.caution();
        server.serve(listener).await.into_diagnostic()?;
        Ok(Verdict::Good)
    }

    /// What the first session begins with, and the machine file if one was given.
    fn setting(&self) -> miette::Result<(Setting, Option<(PathBuf, String)>)> {
        let (file, text, machine, work) = match (&self.machine, &self.start) {
            (None, Some(start)) => {
                let work = scenario::read(start)?;
                let (file, text) = document::find("machine", &work.machine_file, &BUILTIN, Path::new(""))?;
                (file, text, Arc::clone(&work.machine), work)
            }
            (machine, start) => {
                let name = machine.as_deref().unwrap_or("drystone setter");
                let (file, text) = document::find("machine", name, &BUILTIN, Path::new(""))?;
                let machine = Arc::new(bellcrank_machine::read(&file, &text)?);
                let work = match start {
                    Some(start) => {
                        let (name, text) = document::find("scenario", start, &scenario::BUILTIN, Path::new(""))?;
                        scenario::parse_for(&machine, &file, &name, &text)?
                    }
                    None => somewhere(&machine, &file),
                };
                (file, text, machine, work)
            }
        };
        let given = builtin(&file).is_none();
        // From wherever a recording is rehearsed.
        let path = given
            .then(|| std::path::absolute(&file))
            .transpose()
            .into_diagnostic()?;
        let file = path.as_ref().map_or(file, |path| path.display().to_string());
        let mut begun = start(&work);
        begun.machine_file.clone_from(&file);
        if self.remote {
            if machine.stations.remote.is_none() {
                return Err(miette!(
                    "--remote: found a machine without a wireless station, wanted one with it"
                ));
            }
            begun.station = Station::Remote;
        }
        let scenario = settled(&begun)?;
        let setting = Setting {
            machine,
            text: text.clone(),
            file,
            given,
            tuned: false,
            scenario,
            seed: self.seed,
            speed: self.speed,
        };
        Ok((setting, path.map(|path| (path, text))))
    }
}

/// Where a machine stands that no scenario is told for: as in the first built-in one for a machine of its name that fits, or else with every
/// axis in the middle of its range.
fn somewhere(machine: &Arc<Description>, file: &str) -> Scenario {
    let fits = |text: &str| {
        let work = scenario::parse_for(machine, file, "start", text).ok()?;
        let own = scenario::parse("start", text, Path::new("")).ok()?;
        (own.machine.name == machine.name && own.mode == Mode::Tip).then_some(work)
    };
    let known = scenario::BUILTIN.iter().find_map(|(_, text)| fits(text));
    known.unwrap_or_else(|| Scenario::idle("session", Arc::clone(machine), file.to_string(), LONGEST_S))
}
