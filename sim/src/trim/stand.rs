//! What a test is run on: the simulated machine here, one at its terminals in [`terminals`](super::terminals).
//!
//! On either the core leads one valve open loop, through interlock, guard and gate. It is built from the machine file with one change
//! ([`under_test`]): what it believes of the valve under test is a straight line without deadband, with no feedback, so that a lever's deflection
//! is the valve's opening. All that stops a machine still stops it.

use std::sync::Arc;

use bellcrank_core::Machine;
use bellcrank_core::inputs::{HandFrame, Mode};
use bellcrank_core::machine::AxisId;
use bellcrank_core::outputs::Status;
use bellcrank_core::units::Lever;
use bellcrank_machine::Description;
use bellcrank_machine::description::{Axis, Drive, Station, Watch};

use super::trial::Halt;
use crate::live::Live;
use crate::run::RunError;
use crate::scenario::{Fault, Scenario};

/// When the simulated hand takes the enabling switch, s.
const ENABLES_S: f64 = 1.0;
/// No test is as long, s.
const LENGTH_S: f64 = 1000.0;
/// A lever at neutral is within this share of its way.
const DEAD_ZONE: f64 = 0.001;

/// A machine of which one valve is under test.
pub trait Stand {
    /// Time since it began, s.
    fn time(&self) -> f64;

    /// One turn of the core, with the valve under test to be opened by this share, -1 to 1.
    ///
    /// # Errors
    /// The machine cannot be simulated.
    fn turn(&mut self, opening: f64) -> Result<Turned, RunError>;

    /// Tells whoever waits what comes next.
    fn tell(&mut self, _line: &str) {}
}

/// What came of a turn.
#[derive(Debug, Clone, PartialEq)]
pub struct Turned {
    /// When it began, s.
    pub t: f64,
    /// The voltage at the converter of the axis under test, V, if there is one.
    pub volts: Option<f64>,
    /// What the core opened the valve by, -1 to 1: less than asked for where it held something back.
    pub opening: f64,
    /// How the core is.
    pub status: Status,
    /// Why somebody ends the test, if somebody does.
    pub over: Option<Halt>,
}

/// The machine as the core knows it during the test of one axis.
pub fn under_test(machine: &Description, tested: usize) -> Description {
    let mut machine = by_one_lever(machine, tested);
    for axis in &mut machine.axes {
        axis.watch = wide(axis);
    }
    let drive = &mut machine.axes[tested].drive;
    *drive = Drive {
        deadband: (0.0, 0.0),
        curve: [Vec::new(), Vec::new()],
        ramp_up: 1e-3,
        ramp_down: 1e-3,
        ramp_round: 0.0,
        gain: 0.0,
        smooth: 0.0,
        damp: 0.0,
        integral_time: 0.0,
        lead: 0.0,
        fill: (0.0, 0.0),
        run_on: (0.0, 0.0),
        hold: 0.0,
        dither: None,
        ..drive.clone()
    };
    machine
}

/// The machine with one lever at the seat, for one axis, at full speed and without a curve.
pub(super) fn by_one_lever(machine: &Description, axis: usize) -> Description {
    let mut machine = machine.clone();
    for (number, described) in machine.axes.iter_mut().enumerate() {
        described.lever = (number == axis).then_some(0);
    }
    machine.stations.seat = Station {
        speed_cap: 1.0,
        dead_zone: DEAD_ZONE,
        expo: 0.0,
        ..machine.stations.seat
    };
    machine
}

/// How far that lever goes to ask for a share of full: its dead zone further.
pub(super) fn deflection(share: f64) -> f64 {
    if share == 0.0 {
        return 0.0;
    }
    share.signum() * (DEAD_ZONE + (1.0 - DEAD_ZONE) * share.abs())
}

/// The lever that asks for an opening.
pub(super) fn lever(opening: f64) -> Lever {
    #[allow(
        clippy::cast_possible_truncation,
        reason = "a share, narrowed to what a frame carries"
    )]
    Lever::new(deflection(opening) as f32).unwrap_or_default()
}

/// A watch that does not call an axis wrong for moving otherwise than its file believes.
pub(super) fn wide(axis: &Axis) -> Watch {
    Watch {
        opening_doubt: 0.9,
        rate_share: (1e-3, 10.0),
        give: axis.actuator.travel,
        settle: 60.0,
        unasked: 60.0,
        no_motion: 60.0,
        wrong_way: 60.0,
        following: 10.0 * axis.actuator.travel,
        ..axis.watch.clone()
    }
}

/// A rehearsal of a machine in a pose in which nothing is done.
pub(super) fn scenario(machine: Description, start: &[f64], mode: Mode, faults: Vec<Fault>) -> Scenario {
    Scenario {
        mode,
        start: start.to_vec(),
        faults,
        ..Scenario::idle("trim", Arc::new(machine), String::new(), LENGTH_S)
    }
}

/// The simulated machine.
pub struct Simulated<'s> {
    live: Live<'s>,
    id: AxisId,
}

impl<'s> Simulated<'s> {
    /// Stands as the scenario begins; `machine` is what the core knows, `axis` the one under test.
    ///
    /// # Errors
    /// The machine cannot be simulated.
    ///
    /// # Panics
    /// If the machine has no such axis.
    pub fn new(scenario: &'s Scenario, machine: &'s Machine, axis: usize, seed: u64) -> Result<Self, RunError> {
        Ok(Self {
            live: Live::new(scenario, machine, seed)?,
            id: AxisId::new(axis).expect("an axis of a machine"),
        })
    }
}

impl Stand for Simulated<'_> {
    fn time(&self) -> f64 {
        self.live.time()
    }

    fn turn(&mut self, opening: f64) -> Result<Turned, RunError> {
        let t = self.live.time();
        let mut frame = HandFrame {
            mode: Mode::Joint,
            enable: t > ENABLES_S,
            stop_clear: true,
            ..HandFrame::default()
        };
        frame.levers[0] = lever(opening);
        self.live.wiring.hold(frame, false);
        let (id, mut volts) = (self.id, None);
        self.live.think(|_, _, inputs| volts = inputs.sensors.get(id).signal);
        let turned = Turned {
            t,
            volts: volts.map(|volts| volts.volts().into()),
            opening: self.live.controller.last_tick().driven.axes.get(id).opening.into(),
            status: self.live.outputs.status,
            over: None,
        };
        self.live.go()?;
        Ok(turned)
    }
}
