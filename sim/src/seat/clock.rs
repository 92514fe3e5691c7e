//! The machine's own thread: sessions, one after the other, each in real time.
//!
//! A tick is due when it is due. Where the simulation cannot keep up it does not hurry after: the time it is behind is counted as lost and told.

use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use bellcrank_core::inputs::Station;
use bellcrank_core::machine::AxisId;
use bellcrank_machine::description::Description;
use serde::Serialize;

use super::desk::{Asked, Said};
use super::hub::{Answer, For, Hub, Line, Note, Order, Tape};
use super::session::{self, Session, settled};
use super::tune::{self, Figure};
use super::view::{self, Moment, Origin, Teller};
use crate::live::built;
use crate::prove::catalogue;
use crate::run::RunError;
use crate::scenario::Scenario;
use crate::trace::event_text;

/// Time between moments that are shown, s: well below that between two pictures of a screen, so that each of those finds a new one.
const SHOWN_S: f64 = 0.01;
/// Nobody sits there yet, or the session is over: time between two looks.
const IDLE: Duration = Duration::from_millis(25);
/// Further behind than this is time lost.
const BEHIND: Duration = Duration::from_millis(50);
/// The rate is measured over so long.
const MEASURED: Duration = Duration::from_secs(1);

/// What a session begins with.
#[derive(Clone)]
pub struct Setting {
    /// The machine.
    pub machine: Arc<Description>,
    /// The text of its file.
    pub text: String,
    /// What that was read from.
    pub file: String,
    /// That is a file.
    pub given: bool,
    /// It has figures that no file has.
    pub tuned: bool,
    /// How it begins.
    pub scenario: Scenario,
    /// Seed of the noise.
    pub seed: u64,
    /// So many times as fast as real time.
    pub speed: f64,
}

/// What a page is told of a moment, and of how the telling goes.
#[derive(Serialize)]
struct Now<'n> {
    kind: &'static str,
    session: u32,
    /// Who has the levers, and how many look.
    holder: Option<u64>,
    watchers: usize,
    /// Somebody has sat down: time goes on.
    begun: bool,
    /// The session is over, and why.
    over: Option<&'n str>,
    pace: Pace,
    #[serde(flatten)]
    moment: &'n Moment,
}

/// How fast the simulation goes.
#[derive(Debug, Clone, Copy, Serialize)]
struct Pace {
    /// As told, in multiples of real time.
    wanted: f64,
    /// As measured.
    is: f64,
    /// Time by which it has fallen behind so far, s.
    lost: f64,
}

/// Runs sessions for as long as the program runs.
pub fn run(hub: &Hub, orders: &Receiver<Order>, mut setting: Setting) {
    for number in 1.. {
        match one(hub, orders, &setting, number) {
            Ok(next) => setting = next,
            Err(error) => {
                // What cannot be simulated at all was found before the first session; a tuned machine that cannot is told, and gone back on.
                hub.note(line(0.0, format!("cannot begin: {error}")));
                setting.scenario = session::start(&setting.scenario);
                std::thread::sleep(MEASURED);
            }
        }
    }
}

/// One session, until another is to begin.
fn one(hub: &Hub, orders: &Receiver<Order>, setting: &Setting, number: u32) -> Result<Setting, RunError> {
    let core = built(&setting.machine)?;
    let figures = tune::figures(&setting.text);
    let mut runner = Runner {
        hub,
        setting,
        figures,
        number,
        core: &core,
        session: Session::new(&setting.scenario, &core, setting.seed)?,
        teller: Teller::default(),
        clock: Clock::new(setting.speed),
        seen: 0,
        begun: false,
        over: None,
    };
    runner.begin();
    let tick = setting.machine.timing.tick;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few ticks")]
    let every = (SHOWN_S / tick).round().max(1.0) as u64;
    for ticks in 0.. {
        while let Ok(order) = orders.try_recv() {
            if let Some(next) = runner.carry_out(&order) {
                return Ok(next);
            }
        }
        let asked = hub.desk().asked(hub.now());
        if runner.idle(&asked) {
            runner.show(&asked);
            std::thread::sleep(IDLE);
            runner.clock.stand();
            continue;
        }
        runner.tick(&asked);
        if ticks % every == 0 {
            runner.show(&asked);
        }
        runner.clock.wait(tick);
    }
    unreachable!("a session ends by an order")
}

struct Runner<'r> {
    hub: &'r Hub,
    setting: &'r Setting,
    figures: Vec<Figure>,
    number: u32,
    core: &'r bellcrank_core::Machine,
    session: Session<'r>,
    teller: Teller,
    clock: Clock,
    /// Events of the core that are in the log.
    seen: u32,
    begun: bool,
    over: Option<String>,
}

impl Runner<'_> {
    fn begin(&self) {
        let origin = Origin {
            session: self.number,
            file: &self.setting.file,
            given: self.setting.given,
            tuned: self.setting.tuned,
            figures: &self.figures,
        };
        let told = serde_json::to_string(&view::machine(&self.session, &origin));
        self.hub.begin(self.number, told.unwrap_or_default());
    }

    /// Nobody has sat down yet, or it is over.
    fn idle(&mut self, asked: &Asked) -> bool {
        self.begun |= asked.held.is_some();
        !self.begun || self.over.is_some()
    }

    fn tick(&mut self, asked: &Asked) {
        self.session.hands(asked.held, asked.stop);
        match self.session.tick() {
            Ok(true) => self.seen = 0,
            Ok(false) => {}
            Err(error) => self.over = Some(error.to_string()),
        }
        if self.session.over() {
            self.over = Some("an hour is over: begin anew".to_string());
        }
        let machine = &self.setting.machine;
        let log = self.session.live.controller.log();
        for event in log.since(self.seen) {
            let axis = event.axis.map(AxisId::index).and_then(|axis| machine.axes.get(axis));
            self.hub.note(Line {
                t: event.at.as_ticks() as f64 * 1e-6,
                what: event_text(machine, &event.what),
                axis: axis.map(|axis| axis.name.clone()),
                by: "core",
            });
        }
        self.seen = log.count();
    }

    fn show(&mut self, asked: &Asked) {
        let moment = self.teller.moment(&self.session, self.core, asked);
        let now = Now {
            kind: "now",
            session: self.number,
            holder: self.hub.desk().holder(),
            watchers: self.hub.watchers(),
            begun: self.begun,
            over: self.over.as_deref(),
            pace: self.clock.pace(),
            moment: &moment,
        };
        self.hub
            .show(self.number, serde_json::to_string(&now).unwrap_or_default());
    }

    /// Does what is ordered. Where that is another session: how it begins.
    fn carry_out(&mut self, order: &Order) -> Option<Setting> {
        let t = self.session.live.time();
        let done = match &order.said {
            Said::Fault { entry, axis, amount } => self.put_in(entry, *axis, *amount).map(Some),
            Said::Mend { fault } => {
                let kind = self
                    .session
                    .live
                    .scenario()
                    .faults
                    .get(*fault)
                    .map(|fault| fault.kind.name());
                let mended = self.session.mend(*fault).map_err(|unfit| unfit.to_string());
                mended.map(|()| Some(format!("mended: {}", kind.unwrap_or_default().replace('_', " "))))
            }
            Said::Load { arm, mass } => match self.setting.machine.arms.get(*arm) {
                Some(described) => {
                    let hung = self.session.hang(*arm, *mass).map_err(|unfit| unfit.to_string());
                    hung.map(|()| Some(format!("{mass} kg hang on the arm {}", described.name)))
                }
                None => Err("there is no such arm".to_string()),
            },
            Said::Anew { here, remote } => match self.anew(*here, *remote, None) {
                Ok(next) => return Some(next),
                Err(why) => Err(why),
            },
            Said::Tune { changes } => match self.anew(true, self.remote(), Some(changes)) {
                Ok(next) => {
                    answer(
                        order,
                        Answer::Note(Note::good("the core is built anew with these figures")),
                    );
                    return Some(next);
                }
                Err(why) => Err(why),
            },
            Said::Write { given } => {
                let (text, given) = (self.setting.text.clone(), *given);
                answer(order, Answer::File { text, given });
                Ok(None)
            }
            Said::Save {} => self.tape(order, For::Saving),
            Said::Replay {} => self.tape(order, For::Replay),
            // The desk has dealt with these.
            Said::Hands { .. } | Said::Stop { .. } | Said::Sit {} | Said::Rise {} => Ok(None),
        };
        match done {
            Ok(None) => {}
            Ok(Some(said)) => {
                self.hub.note(line(t, said.clone()));
                answer(order, Answer::Note(Note::good(said)));
            }
            Err(why) => answer(order, Answer::Note(Note::bad(why))),
        }
        None
    }

    fn put_in(&mut self, entry: &str, axis: usize, amount: f64) -> Result<String, String> {
        let entry = catalogue::entry(entry).ok_or("there is no such entry")?;
        let on = self.setting.machine.axes.get(axis);
        let named = match (entry.on, on) {
            (None, _) => String::new(),
            (Some(fits), Some(on)) if fits(on) => format!(", {}", on.name),
            _ => return Err("it cannot happen to that axis".to_string()),
        };
        let put_in = self.session.put_in(entry, axis, amount);
        put_in.map_err(|unfit| unfit.to_string())?;
        Ok(format!("put in: {}{named}", entry.name))
    }

    fn tape(&self, order: &Order, wanted: For) -> Result<Option<String>, String> {
        let recording = self.session.recording().ok_or("it has hardly begun")?;
        let setting = self.setting;
        let tape = Tape {
            recording,
            machine: Arc::clone(&setting.machine),
            text: setting.text.clone(),
            tuned: setting.tuned,
            seed: setting.seed,
        };
        answer(order, Answer::Tape(Box::new(tape), wanted));
        Ok(None)
    }

    fn remote(&self) -> bool {
        self.session.live.scenario().station == Station::Remote
    }

    /// How another session begins: here or where this one began, with figures changed or not.
    fn anew(&self, here: bool, remote: bool, changes: Option<&[(String, f64)]>) -> Result<Setting, String> {
        if remote && self.setting.machine.stations.remote.is_none() {
            return Err("this machine has no wireless station".to_string());
        }
        let mut next = self.setting.clone();
        if here {
            next.scenario = self.session.from_here();
        }
        next.scenario = session::start(&next.scenario);
        next.scenario.station = if remote { Station::Remote } else { Station::Seat };
        if let Some(changes) = changes.filter(|changes| !changes.is_empty()) {
            let (text, machine) = tune::tuned(&next.file, &next.text, changes).map_err(|why| why.to_string())?;
            built(&machine).map_err(|why| why.to_string())?;
            next.machine = Arc::new(machine);
            next.scenario.machine = Arc::clone(&next.machine);
            next.tuned = true;
            next.text = text;
        }
        next.scenario = settled(&next.scenario).map_err(|why| why.to_string())?;
        Ok(next)
    }
}

fn line(t: f64, what: String) -> Line {
    Line {
        t,
        what,
        axis: None,
        by: "seat",
    }
}

/// Whoever does not take it goes without.
fn answer(order: &Order, answer: Answer) {
    let _ = order.answers.try_send(answer);
}

/// Real time, and how well it is kept.
struct Clock {
    speed: f64,
    /// When the next tick is due.
    due: Instant,
    lost: Duration,
    /// Since when the rate is measured, and what has been simulated since, s.
    since: Instant,
    gone: f64,
    is: f64,
}

impl Clock {
    fn new(speed: f64) -> Self {
        let now = Instant::now();
        Self {
            speed,
            due: now,
            lost: Duration::ZERO,
            since: now,
            gone: 0.0,
            is: speed,
        }
    }

    /// Time stands still.
    fn stand(&mut self) {
        (self.due, self.since, self.gone) = (Instant::now(), Instant::now(), 0.0);
    }

    /// Waits until the next tick is due, `tick` after the last, s.
    fn wait(&mut self, tick: f64) {
        self.due += Duration::from_secs_f64(tick / self.speed);
        self.gone += tick;
        let now = Instant::now();
        let behind = now.saturating_duration_since(self.due);
        if behind > BEHIND {
            self.lost += behind;
            self.due = now;
        }
        std::thread::sleep(self.due.saturating_duration_since(now));
        let measured = self.since.elapsed();
        if measured >= MEASURED {
            self.is = self.gone / measured.as_secs_f64();
            (self.since, self.gone) = (Instant::now(), 0.0);
        }
    }

    fn pace(&self) -> Pace {
        let thousandths = |value: f64| (1e3 * value).round() * 1e-3;
        Pace {
            wanted: self.speed,
            is: thousandths(self.is),
            lost: thousandths(self.lost.as_secs_f64()),
        }
    }
}
