//! The test: one valve is opened as planned, on whatever [`Stand`] there is, and a logger writes down what the sensor says.
//!
//! Neither this module nor the estimates look at a plant.

use std::collections::VecDeque;

use bellcrank_core::inputs::Mode;
use bellcrank_core::supervise::State;
use bellcrank_machine::Description;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::fit::start_of_motion;
use super::log::{AxisLog, Reading, Sensed, stroke};
use super::plan::{
    Limits, PASS_BY, RAMP_PER_S, RAMP_SPEED, RAMP_TRAVEL, REST_S, STAND_S, STUCK_AT, THERE_AND_BACK, TOO_FAST, TREADS,
};
use super::stand::{Simulated, Stand, Turned, scenario, under_test};
use crate::live;
use crate::run::RunError;
use crate::scenario::Fault;

/// Time for the hydraulics to come up before anything is asked, s.
const WARM_UP_S: f64 = 2.5;
/// A rate is looked at over this time, s.
const LOOK_S: f64 = 0.25;
/// Longest that the axis is led back to where it started, s.
const HOMING_S: f64 = 8.0;
/// Shortest that a tread is worth standing on, s.
const SHORTEST_S: f64 = 0.55;
/// A sensor hums whose reading at rest never stays the same for longer than this, s; one that hums and then stays the same for so long has frozen.
const HUMS_S: f64 = 0.1;
/// See there.
const FROZEN_S: f64 = 0.4;
/// Time with the command at neutral after the test gave up, in which the core may have a better word for why, s.
const LAST_WORD_S: f64 = 0.1;

/// How the log is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Logger {
    /// Rows a second.
    pub rate: f64,
    /// By how much the time between two rows varies, as a share of it, either way.
    pub jitter: f64,
    /// Share of the rows that are lost.
    pub lost: f64,
    /// Share of the rows with a voltage that is nonsense.
    pub wild: f64,
}

impl Logger {
    /// One that keeps every reading.
    pub fn whole() -> Logger {
        Logger {
            rate: f64::INFINITY,
            jitter: 0.0,
            lost: 0.0,
            wild: 0.0,
        }
    }
}

impl Default for Logger {
    fn default() -> Logger {
        Logger {
            rate: 200.0,
            jitter: 0.2,
            lost: 0.01,
            wild: 0.001,
        }
    }
}

/// Why a test was given up.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Halt {
    /// The ramp came to its end and nothing moved.
    #[error("nothing moved up to {:.0} % of full command", 100.0 * STUCK_AT)]
    Stuck,
    /// It moved against the command.
    #[error("it moved against the command")]
    WrongWay,
    /// The reading no longer changes at all.
    #[error("the sensor is frozen: it hummed at rest and then read the very same for {FROZEN_S} s")]
    Frozen,
    /// It went faster than it was meant to.
    #[error("it went {0:.2} times as fast as the test may")]
    TooFast(f64),
    /// It left its travel.
    #[error("it left its travel")]
    TooFar,
    /// The core stopped the machine.
    #[error("the core stopped the machine: {0}")]
    Stopped(String),
    /// It is not enabled.
    #[error("the enabling switch is not held")]
    LetGo,
    /// Somebody else moves it too.
    #[error("a lever was moved")]
    Meddled,
    /// Somebody ended it.
    #[error("it was called off")]
    CalledOff,
}

/// What came of a test: what was logged until its end, or until it was given up.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// What was logged.
    pub log: AxisLog,
    /// Why it was given up, if it was.
    pub halt: Option<Halt>,
}

/// One axis to be tested, and how.
#[derive(Debug, Clone)]
pub struct Setup<'m> {
    /// The machine as it is.
    pub machine: &'m Description,
    /// Number of the axis.
    pub axis: usize,
    /// Joint angles at the start, rad.
    pub start: &'m [f64],
    /// How far and how fast it may go.
    pub limits: Limits,
    /// How the log is kept.
    pub logger: Logger,
    /// Seed of the noise.
    pub seed: u64,
    /// What is wrong with the machine.
    pub faults: Vec<Fault>,
}

/// Runs the test on the simulated machine.
///
/// # Errors
/// The machine cannot be simulated.
pub fn run(setup: &Setup) -> Result<Trial, RunError> {
    let description = under_test(setup.machine, setup.axis);
    let machine = live::built(&description)?;
    let scenario = scenario(description, setup.start, Mode::Joint, setup.faults.clone());
    run_on(setup, &mut Simulated::new(&scenario, &machine, setup.axis, setup.seed)?)
}

/// Runs the test on a stand, which stands still.
///
/// # Errors
/// The machine cannot be simulated.
pub fn run_on(setup: &Setup, stand: &mut dyn Stand) -> Result<Trial, RunError> {
    let mut test = Test::new(setup, stand);
    let halt = match test.whole() {
        Ok(()) => None,
        Err(Give::Up(halt)) => Some(test.last_word(halt)?),
        Err(Give::Error(error)) => return Err(error),
    };
    let log = AxisLog {
        axis: setup.axis,
        readings: test.readings,
    };
    Ok(Trial { log, halt })
}

/// Why the test does not go on.
enum Give {
    Up(Halt),
    Error(RunError),
}

impl From<RunError> for Give {
    fn from(error: RunError) -> Give {
        Give::Error(error)
    }
}

/// Which way it goes, in words.
fn word(way: usize) -> &'static str {
    if way == 0 { "extending" } else { "retracting" }
}

/// Extending is 0, retracting 1.
fn sign(way: usize) -> f64 {
    if way == 0 { 1.0 } else { -1.0 }
}

struct Test<'s> {
    setup: &'s Setup<'s>,
    stand: &'s mut dyn Stand,
    /// The last turn.
    turned: Option<Turned>,
    readings: Vec<Reading>,
    rng: ChaCha8Rng,
    next_row: f64,
    logging: bool,
    /// What the machine itself has read of late: time and stroke.
    recent: VecDeque<(f64, f64)>,
    /// What was read last, V, and since when, s.
    same: (f64, f64),
    /// The longest that a reading stayed the same at rest, s; without end until that is known.
    same_at_rest: f64,
    command: f64,
    /// Where it started, m or rad.
    origin: f64,
    full: f64,
}

impl<'s> Test<'s> {
    fn new(setup: &'s Setup<'s>, stand: &'s mut dyn Stand) -> Self {
        let rates = setup.machine.axes[setup.axis].drive.full_rate;
        let mut rng = ChaCha8Rng::seed_from_u64(setup.seed);
        rng.set_stream(7);
        Self {
            setup,
            stand,
            turned: None,
            readings: Vec::new(),
            rng,
            next_row: 0.0,
            logging: false,
            recent: VecDeque::new(),
            same: (f64::NAN, 0.0),
            same_at_rest: f64::INFINITY,
            command: 0.0,
            origin: f64::NAN,
            full: rates.0.max(rates.1),
        }
    }

    fn travel(&self) -> f64 {
        self.setup.machine.axes[self.setup.axis].actuator.travel
    }

    fn whole(&mut self) -> Result<(), Give> {
        self.stand(0.0, WARM_UP_S)?;
        self.enabled()?;
        self.origin = self.place();
        self.logging = true;
        self.same_at_rest = self.rest(1.0)?;
        let mut opens = [0.0; 2];
        for (way, opens) in opens.iter_mut().enumerate() {
            *opens = self.ramp(way)?;
        }
        let mut steps: [Option<f64>; 2] = [Some(TREADS[0]); 2];
        let mut number = 0;
        while steps.iter().any(Option::is_some) {
            for (way, next) in steps.iter_mut().enumerate() {
                if let Some(step) = *next {
                    let rate = self.tread(way, opens, step)?;
                    *next = self.next(step, rate, TREADS.get(number + 1).copied());
                }
            }
            number += 1;
        }
        self.stand(0.0, 1.0)
    }

    /// The next tread: the planned one, or one that just keeps to the greatest speed.
    fn next(&self, step: f64, rate: f64, planned: Option<f64>) -> Option<f64> {
        let most = self.setup.limits.speed * self.full;
        let planned = planned?;
        if rate * planned / step <= most {
            return Some(planned);
        }
        let last = step * most / rate;
        (rate < 0.85 * most && last > 1.1 * step).then_some(last.min(planned))
    }

    /// Up until it moves, and back; where it opens.
    fn ramp(&mut self, way: usize) -> Result<f64, Give> {
        self.stand.tell(&format!("{}: ramp until it moves", word(way)));
        let (from, dt) = (self.place(), self.stand.time());
        let mut seen = Vec::new();
        let far = RAMP_TRAVEL * self.travel();
        let fast = RAMP_SPEED * self.full;
        loop {
            let command = RAMP_PER_S * (self.stand.time() - dt);
            if command > STUCK_AT {
                return Err(Give::Up(Halt::Stuck));
            }
            self.tick(sign(way) * command)?;
            let gone = sign(way) * (self.place() - from);
            seen.push((command, gone));
            if gone < -far {
                return Err(Give::Up(Halt::WrongWay));
            }
            if gone > far || sign(way) * self.rate() > fast && gone > 0.3 * far {
                break;
            }
        }
        let top = self.command.abs();
        let opens = start_of_motion(&thinned(&seen)).map_or(top, |start| start.time);
        let (turned, mut command) = (self.stand.time(), top);
        while command > (opens - 0.05).max(0.0) {
            command = top - RAMP_PER_S * (self.stand.time() - turned);
            self.tick(sign(way) * command.max(0.0))?;
        }
        self.stand(0.0, REST_S)?;
        Ok(opens)
    }

    /// One tread, and the rate there at the end.
    fn tread(&mut self, way: usize, opens: [f64; 2], step: f64) -> Result<f64, Give> {
        let low = step <= THERE_AND_BACK;
        self.stand
            .tell(&format!("{}: {:.1} % above where it opens", word(way), 100.0 * step));
        let level = sign(way) * (opens[way] + step).min(1.0);
        let guess = step * self.full;
        let wanted = if low {
            3.0 * STAND_S.0 * guess + 2.0 * PASS_BY * self.full
        } else {
            STAND_S.1 * guess
        };
        let half = 0.5 * self.setup.limits.travel * self.travel();
        let room = |test: &Self| half - sign(way) * (test.place() - test.origin);
        if room(self) < wanted.min(1.3 * half) {
            self.home(way, opens, wanted.min(1.6 * half))?;
        }
        let span = if low {
            STAND_S.0
        } else {
            (0.9 * room(self) / guess).clamp(SHORTEST_S, STAND_S.1)
        };
        self.stand(level, span)?;
        let mut rate = self.rate().abs();
        if low {
            self.stand(level + sign(way) * PASS_BY, 0.6 * span)?;
            self.stand(level, span)?;
            rate = rate.max(self.rate().abs());
        }
        self.stand(0.0, REST_S)?;
        Ok(rate)
    }

    /// Leads it back until there is so much room in a direction.
    fn home(&mut self, way: usize, opens: [f64; 2], room: f64) -> Result<(), Give> {
        let back = 1 - way;
        let half = 0.5 * self.setup.limits.travel * self.travel();
        let until = self.stand.time() + HOMING_S;
        while half - sign(way) * (self.place() - self.origin) < room && self.stand.time() < until {
            self.tick(sign(back) * (opens[back] + 0.12).min(1.0))?;
        }
        self.stand(0.0, REST_S)
    }

    /// Stands at neutral; the longest that the reading stayed the same meanwhile, s.
    fn rest(&mut self, span: f64) -> Result<f64, Give> {
        let until = self.stand.time() + span;
        let mut longest = 0.0_f64;
        while self.stand.time() < until {
            self.tick(0.0)?;
            longest = longest.max(self.unchanged());
        }
        Ok(longest)
    }

    /// For how long the reading has been the very same, s.
    fn unchanged(&self) -> f64 {
        self.stand.time() - self.same.1
    }

    /// Brings the command to neutral where the test itself gave up. What the core stops for meanwhile is the better reason.
    fn last_word(&mut self, halt: Halt) -> Result<Halt, RunError> {
        if matches!(halt, Halt::Stopped(_) | Halt::LetGo | Halt::Meddled | Halt::CalledOff) {
            return Ok(halt);
        }
        let until = self.stand.time() + LAST_WORD_S;
        while self.stand.time() < until {
            match self.tick(0.0) {
                Err(Give::Up(stopped @ Halt::Stopped(_))) => return Ok(stopped),
                Err(Give::Error(error)) => return Err(error),
                Ok(()) | Err(Give::Up(_)) => (),
            }
        }
        Ok(halt)
    }

    fn stand(&mut self, command: f64, span: f64) -> Result<(), Give> {
        let until = self.stand.time() + span;
        let half = 0.5 * self.setup.limits.travel * self.travel();
        while self.stand.time() < until {
            self.tick(command)?;
            // Cut short where its travel ends.
            if command != 0.0 && command.signum() * (self.place() - self.origin) > half {
                break;
            }
        }
        Ok(())
    }

    fn tick(&mut self, command: f64) -> Result<(), Give> {
        self.command = command;
        let turned = self.stand.turn(command)?;
        if let Some(volts) = turned.volts {
            if volts != self.same.0 {
                self.same = (volts, turned.t);
            }
            let sensed = Sensed::Volts(volts);
            self.look(
                turned.t,
                stroke(&self.setup.machine.axes[self.setup.axis].sensor, sensed),
            );
            self.row(Reading {
                t: turned.t,
                command: turned.opening,
                sensed,
            });
        }
        self.turned = Some(turned);
        self.watch()
    }

    /// What the machine itself remembers of late.
    fn look(&mut self, t: f64, stroke: f64) {
        self.recent.push_back((t, stroke));
        while self.recent.front().is_some_and(|(at, _)| *at < t - LOOK_S) {
            self.recent.pop_front();
        }
    }

    fn row(&mut self, mut reading: Reading) {
        if !self.logging || reading.t < self.next_row - 1e-9 {
            return;
        }
        let logger = self.setup.logger;
        let jitter = if logger.jitter > 0.0 {
            self.rng.random_range(-logger.jitter..logger.jitter)
        } else {
            0.0
        };
        let base = if self.next_row == 0.0 { reading.t } else { self.next_row };
        self.next_row = (base + (1.0 + jitter) / logger.rate).max(reading.t);
        if self.rng.random_bool(logger.lost) {
            return;
        }
        if self.rng.random_bool(logger.wild) {
            reading.sensed = Sensed::Volts(self.rng.random_range(0.5..9.5));
        }
        self.readings.push(reading);
    }

    /// Where it is, by what the machine has read in the last moments.
    fn place(&self) -> f64 {
        let last = self.recent.iter().rev().take(20);
        let (sum, count) = last.fold((0.0, 0.0), |(sum, count), (_, stroke)| (sum + stroke, count + 1.0));
        sum / count
    }

    /// How fast it goes, by a straight line through the same.
    fn rate(&self) -> f64 {
        let count = self.recent.len() as f64;
        let mean = |of: fn(&(f64, f64)) -> f64| self.recent.iter().map(of).sum::<f64>() / count;
        let (t, x) = (mean(|at| at.0), mean(|at| at.1));
        let products = self
            .recent
            .iter()
            .map(|at| ((at.0 - t) * (at.1 - x), (at.0 - t).powi(2)));
        let (up, down) = products.fold((0.0, 0.0), |sum, at| (sum.0 + at.0, sum.1 + at.1));
        if down > 0.0 { up / down } else { 0.0 }
    }

    fn watch(&self) -> Result<(), Give> {
        if self.origin.is_nan() {
            return Ok(());
        }
        self.enabled()?;
        if self.same_at_rest < HUMS_S && self.unchanged() > FROZEN_S {
            return Err(Give::Up(Halt::Frozen));
        }
        if (self.place() - self.origin).abs() > self.setup.limits.reach() * self.travel() {
            return Err(Give::Up(Halt::TooFar));
        }
        let speed = self.rate().abs() / (self.setup.limits.speed * self.full);
        if speed > TOO_FAST {
            return Err(Give::Up(Halt::TooFast(speed)));
        }
        Ok(())
    }

    fn enabled(&self) -> Result<(), Give> {
        let Some(turned) = &self.turned else { return Ok(()) };
        if let Some(over) = &turned.over {
            return Err(Give::Up(over.clone()));
        }
        if turned.status.state == State::Enabled {
            return Ok(());
        }
        let cause = turned.status.cause;
        Err(Give::Up(
            cause.map_or(Halt::LetGo, |cause| Halt::Stopped(cause.name().to_owned())),
        ))
    }
}

/// At most two hundred of them, evenly taken: enough to find where they bend.
fn thinned(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    points.iter().step_by(points.len() / 200 + 1).copied().collect()
}
