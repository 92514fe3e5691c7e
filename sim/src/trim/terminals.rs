//! A test on a machine at its terminals, by the mapping and the loop of `bellcrank-linux`.
//!
//! Somebody at the seat holds the enabling switch all the while, and lets the levers be: letting go ends the test, and so does a lever that is
//! moved. The test takes the place of the levers and of nothing else; stop chain, key, selector, enabling switch and the age of what the seat
//! says are what the terminals say.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use bellcrank_core::Machine;
use bellcrank_core::inputs::{HandFrame, Inputs, Mode, SensorInput};
use bellcrank_core::machine::{AxisId, LEVERS_MAX, PerAxis};
use bellcrank_core::outputs::Outputs;
use bellcrank_core::supervise::State;
use bellcrank_core::units::{Instant, Lever};
use bellcrank_hal::{Board, Cycle, Misfit, Troubles};
use bellcrank_linux::Terminals;
use bellcrank_linux::bus::{self, Unopened};
use bellcrank_linux::cli::CAUTION;
use bellcrank_linux::mapping::{self, Mapping, StationPlaces, Wanted};
use bellcrank_linux::pace::{Pace, Time, ask_for_real_time};
use bellcrank_machine::geometry::Geometry;
use bellcrank_machine::{Description, document};
use miette::{Diagnostic, IntoDiagnostic};
use signal_hook::consts::{SIGINT, SIGTERM};

use super::log::{Sensed, stroke};
use super::plan::Limits;
use super::pose::Room;
use super::stand::{Stand, Turned, lever, under_test};
use super::trial::{Halt, Setup, Trial, run_on};
use crate::live;
use crate::run::RunError;

/// The terminals are given so long to answer, s.
const ANSWER_S: f64 = 5.0;
/// Somebody is waited for so long who enables the machine, s.
const PATIENCE_S: f64 = 120.0;
/// An enabled machine is looked at for so long before it is known how it stands, s.
const LOOK_S: f64 = 0.5;

/// The test cannot be begun at the terminals. Nothing has been moved.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum NotBegun {
    /// There is no way to them.
    #[error(transparent)]
    Unopened(#[from] Unopened),
    /// They are not those of this machine.
    #[error("{mapping}: {0}", mapping = .1)]
    Misfit(Misfit, String),
    /// The seat is a pad.
    #[error("{0}: found a pad at the seat, wanted levers and an enabling switch at the terminals")]
    Pad(String),
    /// Nobody has enabled the machine, or it was called off before.
    #[error("nothing has moved: {0}")]
    NobodyEnabled(&'static str),
    /// A sensor says nothing.
    #[error("axis {0:?}: found a sensor that says nothing usable, wanted one that tells where the axis stands")]
    Unread(String),
    /// It would touch something.
    #[error(
        "axis {axis:?}: found the machine standing where the axis cannot go {percent:.0} % of its stroke to both sides clear of its range, of \
         every zone and of the other arm; wanted a pose in which it can, as the plan has one, or a smaller --travel-percent"
    )]
    NoRoom {
        /// The axis.
        axis: String,
        /// How far, and what it may overrun.
        percent: f64,
    },
}

/// Runs the test of an axis on the machine at the terminals of a mapping, a file or a built-in one, once somebody has enabled it; `tell` is told
/// what is waited for and what comes next. SIGINT and SIGTERM end it.
///
/// # Errors
/// The mapping is not one for this machine, or the test cannot be begun.
pub fn run(setup: &Setup, mapping: &str, tell: &mut dyn FnMut(&str)) -> miette::Result<Trial> {
    let (file, text) = document::find("mapping", mapping, &mapping::BUILTIN, Path::new(""))?;
    let names: Vec<String> = setup.machine.axes.iter().map(|axis| axis.name.clone()).collect();
    let described = live::built(setup.machine)?;
    let wanted = Wanted {
        machine: &described,
        names: &names,
    };
    let mapping = mapping::read(&file, &text, wanted)?;
    let core = live::built(&under_test(setup.machine, setup.axis))?;
    let over = Arc::new(AtomicBool::new(false));
    tell(CAUTION);
    for signal in [SIGINT, SIGTERM] {
        signal_hook::flag::register(signal, Arc::clone(&over)).into_diagnostic()?;
    }
    let mut stand = AtTerminals::begin(setup.machine, &core, &mapping, setup.axis, &setup.limits, &over, tell)?;
    let trial = run_on(setup, &mut stand);
    stand.finish();
    Ok(trial?)
}

/// A machine at its terminals.
struct AtTerminals<'m> {
    cycle: Cycle<'m, Led<'m>>,
    machine: &'m Description,
    id: AxisId,
    time: Time,
    pace: Pace,
    due: Instant,
    over: &'m AtomicBool,
    tell: &'m mut dyn FnMut(&str),
}

impl<'m> AtTerminals<'m> {
    /// Begins at the terminals of `mapping`, and waits until somebody has enabled the machine and it stands where the axis under test has room.
    /// `core` is what the core knows of `machine` during the test. All goes off as soon as `over` is set.
    ///
    /// # Errors
    /// The terminals cannot be had or are not this machine's, nobody enables it, or there is no room.
    fn begin(
        machine: &'m Description,
        core: &'m Machine,
        mapping: &'m Mapping,
        axis: usize,
        limits: &Limits,
        over: &'m AtomicBool,
        tell: &'m mut dyn FnMut(&str),
    ) -> Result<Self, NotBegun> {
        if matches!(mapping.seat, StationPlaces::Pad(_)) {
            return Err(NotBegun::Pad(mapping.name.clone()));
        }
        let time = Time::begin();
        let bus = bus::open(mapping, time, true)?;
        for refused in ask_for_real_time() {
            tell(&refused);
        }
        let mut terminals = Terminals::new(mapping, bus, [None, None], time.now());
        while !terminals.greet(time.now()) && time.begin.elapsed().as_secs_f64() < ANSWER_S {
            std::thread::sleep(mapping.life_within / 8);
        }
        let led = Led {
            terminals,
            lever: Lever::default(),
            dead_zone: machine.stations.seat.dead_zone,
            meddled: false,
            sensors: PerAxis::default(),
        };
        let cycle = Cycle::new(core, led, None).map_err(|misfit| NotBegun::Misfit(misfit, mapping.name.clone()))?;
        let mut stand = Self {
            cycle,
            machine,
            id: AxisId::new(axis).expect("an axis of a machine"),
            pace: Pace::new(core.timing(), time.now()),
            due: time.now(),
            time,
            over,
            tell,
        };
        let begun = stand.until_enabled().and_then(|()| stand.has_room(limits));
        match begun {
            Ok(()) => Ok(stand),
            Err(why) => {
                stand.finish();
                Err(why)
            }
        }
    }

    /// Takes all power.
    fn finish(mut self) {
        let obeyed = self.cycle.cut();
        self.cycle.into_board().terminals.finish();
        (self.tell)(if obeyed {
            "everything is off"
        } else {
            "everything is told off; whether the terminals still listen is not known"
        });
    }

    /// Nobody but the person at the seat enables anything: this waits for it.
    fn until_enabled(&mut self) -> Result<(), NotBegun> {
        let (begin, mut told) = (self.time(), None);
        let mut enabled_at = None;
        loop {
            let turned = self.turned(0.0);
            if told != Some(turned.status.state) {
                told = Some(turned.status.state);
                (self.tell)(waits_for(turned.status.state));
            }
            if self.over.load(Ordering::Acquire) {
                return Err(NotBegun::NobodyEnabled("it was called off"));
            }
            if turned.t - begin > PATIENCE_S {
                return Err(NotBegun::NobodyEnabled("nobody enabled the machine"));
            }
            enabled_at = (turned.status.state == State::Enabled).then(|| enabled_at.unwrap_or(turned.t));
            if enabled_at.is_some_and(|at| turned.t - at > LOOK_S) {
                return Ok(());
            }
        }
    }

    fn has_room(&self, limits: &Limits) -> Result<(), NotBegun> {
        let sensors = &self.cycle.board().sensors;
        let angle = |(number, axis): (usize, &bellcrank_machine::description::Axis)| {
            let volts = AxisId::new(number).and_then(|id| sensors.get(id).signal)?;
            let stroke = stroke(&axis.sensor, Sensed::Volts(volts.volts().into()));
            Geometry::of(axis).ok()?.angle(stroke).ok()
        };
        let unread = |name: &str| NotBegun::Unread(name.to_owned());
        let axes = self.machine.axes.iter().enumerate();
        let angles: Vec<f64> = axes
            .map(|(number, axis)| angle((number, axis)).ok_or_else(|| unread(&axis.name)))
            .collect::<Result<_, _>>()?;
        let axis = self.id.index();
        let name = &self.machine.axes[axis].name;
        let axes = [axis];
        let mut room = Room::of(self.machine, &axes, limits).ok_or_else(|| unread(name))?;
        if room.has(&angles) {
            return Ok(());
        }
        Err(NotBegun::NoRoom {
            axis: name.clone(),
            percent: 100.0 * limits.reach(),
        })
    }

    fn turned(&mut self, opening: f64) -> Turned {
        self.time.sleep_until(self.due);
        let started = self.time.now();
        self.cycle.board_mut().lever = lever(opening);
        let turn = self.cycle.turn(started);
        (self.due, _) = self.pace.next(started);
        let Led { meddled, sensors, .. } = self.cycle.board();
        let called_off = self.over.load(Ordering::Acquire).then_some(Halt::CalledOff);
        Turned {
            t: seconds(started),
            volts: sensors.get(self.id).signal.map(|volts| volts.volts().into()),
            opening: self
                .cycle
                .controller()
                .last_tick()
                .driven
                .axes
                .get(self.id)
                .opening
                .into(),
            status: turn.outputs.status,
            over: called_off.or(meddled.then_some(Halt::Meddled)),
        }
    }
}

impl Stand for AtTerminals<'_> {
    fn time(&self) -> f64 {
        seconds(self.time.now())
    }

    fn turn(&mut self, opening: f64) -> Result<Turned, RunError> {
        Ok(self.turned(opening))
    }

    fn tell(&mut self, line: &str) {
        (self.tell)(line);
    }
}

fn seconds(at: Instant) -> f64 {
    Duration::from_micros(at.as_ticks()).as_secs_f64()
}

fn waits_for(state: State) -> &'static str {
    match state {
        State::Enabled => "enabled: let the levers be, hold the switch, and let go of it to end the test",
        State::Ready => "waits for the enabling switch",
        State::Standby => "waits for levers at neutral and the switch let go of",
        State::SelfTest => "looks at the machine",
        State::Stopping => "stops",
        State::Stopped | State::Fault => "stopped: waits for the reset button",
    }
}

/// The terminals, with the levers of the seat in the hands of the test.
struct Led<'m> {
    terminals: Terminals<'m>,
    lever: Lever,
    /// A lever of the seat is moved where it is further from neutral than this share of its way.
    dead_zone: f64,
    /// One is.
    meddled: bool,
    /// What the terminals said of the sensors.
    sensors: PerAxis<SensorInput>,
}

impl Board for Led<'_> {
    fn fits(&self, machine: &Machine) -> Result<(), Misfit> {
        self.terminals.fits(machine)
    }

    fn read(&mut self, now: Instant, troubles: &mut Troubles) -> Inputs {
        let came = self.terminals.read(now, troubles);
        let moved = |lever: &Lever| f64::from(lever.share()).abs() > self.dead_zone;
        self.meddled = came.seat.levers.iter().any(moved);
        // A lever that is moved is what the core sees: it does not let itself be enabled then.
        let mut levers = came.seat.levers;
        if !self.meddled {
            levers = [Lever::default(); LEVERS_MAX];
            levers[0] = self.lever;
        }
        let seat = HandFrame {
            levers,
            mode: Mode::Joint,
            slow: false,
            go_to: None,
            ..came.seat
        };
        self.sensors = came.sensors;
        Inputs { seat, ..came }
    }

    fn write(&mut self, outputs: &Outputs, troubles: &mut Troubles) -> bool {
        self.terminals.write(outputs, troubles)
    }

    fn cut(&mut self, troubles: &mut Troubles) -> bool {
        self.terminals.cut(troubles)
    }

    fn feed(&mut self, troubles: &mut Troubles) {
        self.terminals.feed(troubles);
    }
}
