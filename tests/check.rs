//! A bench for the core alone: a small machine of ideal axes, and one constructor for each state of the interlock, so that no test
//! replays the road to it. Only this file knows how the core is called.

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{HandFrame, Mode, Relays, SensorInput, Station};
use bellcrank_core::linkage::Linkage;
use bellcrank_core::machine::{
    Arm, Axis, AxisId, Calibration, Channel, EachWay, Joint, JointAxis, Machine, Parts, PerAxis, Pwm, SeatPlace, Shape,
    Signal, Spares, StationLimits, Timing, Tracking, Twin, ValveCurve, Watch, Zone,
};
use bellcrank_core::sense::Posture;
use bellcrank_core::stamp::{Stage, Stamp};
use bellcrank_core::supervise::{Action, Event, Permit, RECORD_LEN, State, What};
use bellcrank_core::units::{Duration, Instant, Lever, Volts};
use bellcrank_core::{Controller, Inputs, Outputs};

/// The tick of the bench, µs.
pub const TICK_US: u32 = 2_000;

/// What feeds the bench's sensors, V.
pub const EXCITATION: f32 = 5.0;

const DEADBAND: f32 = 0.1;
const FULL_RATE: f32 = 0.5;

/// What the bench's valves are told by.
pub const PWM: Pwm = Pwm {
    neutral: 0.5,
    low: 0.1,
    high: 0.9,
    reversed: false,
};

/// Two direct axes, a slew and a lift, that make an arm of 2 m in front of a zone.
#[allow(clippy::too_many_lines, reason = "it is all plain values")]
pub fn parts() -> Parts {
    let micros = Duration::from_ticks;
    let axis = |lever| Axis {
        linkage: Linkage::Direct { zero: -1.5 },
        stroke: (0.1, 2.9),
        sensor: Calibration {
            signal: Signal::Voltage,
            points: [(0.5, 0.0), (9.5, 3.0)].into_iter().collect(),
            fault: (0.2, 9.8),
        },
        twin: None,
        valve: ValveCurve {
            deadband: EachWay {
                out: DEADBAND,
                inward: DEADBAND,
            },
            full_rate: EachWay {
                out: FULL_RATE,
                inward: FULL_RATE,
            },
            out: [].into_iter().collect(),
            inward: [].into_iter().collect(),
        },
        area: EachWay {
            out: 1e-4,
            inward: 1e-4,
        },
        channel: Channel::Pwm(PWM),
        tracking: Tracking {
            gain: 2.0,
            smooth: 0.0,
            damp: 0.0,
            integral_time: 1.0,
            lead: 0.0,
            fill: EachWay { out: 0.0, inward: 0.0 },
            run_on: EachWay { out: 0.0, inward: 0.0 },
            hold: 0.0,
            ramp_up: 5.0,
            ramp_down: 5.0,
            stop_ramp: 10.0,
            jerk: 0.0,
            braking: 2.0,
        },
        dither: None,
        watch: Watch {
            jump_rate: 3.0,
            sensor_confirm: micros(10_000),
            stale: micros(50_000),
            still_rate: 0.02,
            opening_doubt: 0.03,
            rate_least: 0.1,
            rate_most: 2.0,
            give: 0.0,
            settle: micros(200_000),
            unasked: micros(80_000),
            no_motion: micros(300_000),
            wrong_way: micros(100_000),
            following: 0.2,
        },
        second_pump: false,
        lever: Some(lever),
    };
    let joint = |index, about, link| Joint {
        axis: AxisId::new(index).unwrap(),
        about,
        link,
        radius: 0.1,
        cylinder: None,
        mass: 0.0,
        centre: [0.0; 3],
    };
    let station = |late, speed_cap| StationLimits {
        frame_late: micros(late),
        required: false,
        speed_cap,
        dead_zone: 0.05,
        tip_speed: None,
        expo: 0.0,
        slow_share: 0.25,
    };
    Parts {
        axes: [axis(0), axis(1)].into_iter().collect(),
        arms: [Arm {
            base: [0.5, 0.0, 1.0],
            joints: [
                joint(0, JointAxis::Z, [0.0; 3]),
                joint(1, JointAxis::Y, [2.0, 0.0, 0.0]),
            ]
            .into_iter()
            .collect(),
            pitch_joint: 1,
            grip: None,
            tip_speed: 0.5,
            pitch_rate: 0.5,
            tip_ramp: 0.2,
            payload: 0.0,
            levers: [2, 3, 4, 5].into_iter().collect(),
        }]
        .into_iter()
        .collect(),
        zones: [Zone {
            shape: Shape::Box {
                min: [0.0, 1.2, 0.0],
                max: [3.0, 2.0, 3.0],
            },
            carried: None,
            spares: Spares::default(),
            margin: 0.1,
        }]
        .into_iter()
        .collect(),
        arm_margin: 0.0,
        control_supply: Some((20.0, 30.0)),
        footing: None,
        commissioning_speed: None,
        timing: Timing {
            tick: micros(TICK_US),
            tick_late: micros(10_000),
            tick_early: micros(1_000),
            stop_discrepancy: micros(100_000),
            stop_pulse: micros(0),
            relay: Some(micros(50_000)),
            debounce: micros(20_000),
            stop_budget: micros(400_000),
            reaction: micros(50_000),
        },
        seat: station(60_000, 1.0),
        remote: Some(station(150_000, 0.5)),
        seat_place: SeatPlace {
            position: [0.2, -0.1, 0.8],
            yaw: 0.5,
        },
        pump_flow: 1e-3,
        second_pump_flow: 0.0,
    }
}

/// What a station may do while nothing stands against it.
pub fn permit(machine: &Machine) -> Permit {
    Permit {
        state: State::Enabled,
        action: Action::Drive,
        station: Station::Seat,
        limits: machine.seat(),
        stamp: Stamp::sensed(1).through(Stage::Supervise),
        cause: None,
        before: None,
    }
}

/// The stamp of work that has gone through every stage before the gate.
pub fn whole(tick: u32) -> Stamp {
    [Stage::Supervise, Stage::Plan, Stage::Guard, Stage::Drive]
        .into_iter()
        .fold(Stamp::sensed(tick), Stamp::through)
}

/// The bench's machine with a second sensor on its slew, both telling the share of what feeds them.
pub fn parts_with_twin() -> Parts {
    let mut parts = parts();
    let sensor = Calibration {
        signal: Signal::Ratiometric { excitation: (4.5, 5.5) },
        points: [(0.5 / EXCITATION, 0.0), (9.5 / EXCITATION, 3.0)].into_iter().collect(),
        fault: (0.2 / EXCITATION, 9.8 / EXCITATION),
    };
    parts.axes[0].sensor = sensor.clone();
    parts.axes[0].twin = Some(Twin {
        sensor,
        limit: 0.05,
        confirm: Duration::from_ticks(40_000),
    });
    parts
}

/// What is wrong with the bench's iron.
#[derive(Debug, Clone, Copy, Default)]
pub struct Broken {
    /// Axis whose sensor reads this many volts.
    pub sensor: Option<(usize, Option<f32>)>,
    /// Axis whose second sensor reads this many volts.
    pub twin: Option<(usize, Option<f32>)>,
    /// Axis whose sensors are fed this many volts.
    pub excitation: Option<(usize, f32)>,
    /// Axis of which no new reading comes in.
    pub stale: Option<usize>,
    /// Axis that moves at this rate whatever its duty.
    pub runs: Option<(usize, f32)>,
    /// Axis whose sensor stays at what it reads.
    pub frozen: Option<usize>,
    /// Axis that does not move, though its sensor lives.
    pub jammed: Option<usize>,
    /// Axis that moves at this rate, power or no power.
    pub adrift: Option<(usize, f32)>,
    /// No frames come from any station.
    pub silent: bool,
    /// The relays stay where these say, whatever they are told.
    pub relays: Option<Relays>,
}

/// The core on ideal axes.
pub struct Bench<'m> {
    machine: &'m Machine,
    controller: Controller<'m>,
    /// What the next tick is told; sensors, time and frame ages are filled in.
    pub inputs: Inputs,
    /// What the last tick commanded.
    pub outputs: Option<Outputs>,
    /// What is wrong.
    pub broken: Broken,
    /// Stroke of each axis, rad.
    pub strokes: [f32; 2],
    silent_us: u32,
    ticks: u32,
}

impl<'m> Bench<'m> {
    /// Just switched on.
    pub fn new(machine: &'m Machine) -> Self {
        let hand = HandFrame {
            stop_clear: true,
            age: Some(Duration::from_ticks(0)),
            ..HandFrame::default()
        };
        Self {
            machine,
            controller: Controller::new(machine),
            inputs: Inputs {
                now: Instant::from_ticks(0),
                sensors: PerAxis::default(),
                stop_chain: [true, true],
                relays: Relays::default(),
                supply: Volts::new(24.0).ok(),
                reset: false,
                commissioning: false,
                selector: Station::Seat,
                seat: hand,
                remote: hand,
            },
            outputs: None,
            broken: Broken::default(),
            strokes: [1.5, 1.5],
            silent_us: 0,
            ticks: 0,
        }
    }

    /// In `Ready`: self-test passed, levers at neutral.
    pub fn ready(machine: &'m Machine) -> Self {
        let mut bench = Self::new(machine);
        bench.run(200);
        assert_eq!(bench.state(), State::Ready);
        bench
    }

    /// In `Enabled`, levers at neutral.
    pub fn enabled(machine: &'m Machine) -> Self {
        let mut bench = Self::ready(machine);
        bench.inputs.seat.enable = true;
        bench.run(100);
        assert_eq!(bench.state(), State::Enabled);
        bench
    }

    /// In `Enabled` with the slew turning at about half speed.
    pub fn slewing(machine: &'m Machine) -> Self {
        let mut bench = Self::enabled(machine);
        bench.lever(0, 0.5);
        bench.run(500);
        assert!(bench.moving(), "the slew should turn");
        bench
    }

    /// Moves a lever of the seat.
    pub fn lever(&mut self, number: usize, share: f32) {
        self.inputs.seat.levers[number] = Lever::new(share).unwrap();
    }

    /// Tip mode instead of joint mode.
    pub fn tip_mode(&mut self) {
        self.inputs.seat.mode = Mode::Tip;
    }

    /// Lets time go by, ms.
    pub fn run(&mut self, ms: u32) {
        for _ in 0..(ms * 1_000 / TICK_US) {
            self.tick();
        }
    }

    /// One tick.
    pub fn tick(&mut self) {
        self.ticks += 1;
        self.inputs.now = Instant::from_ticks(u64::from(self.ticks * TICK_US));
        self.silent_us = if self.broken.silent {
            self.silent_us + TICK_US
        } else {
            0
        };
        for hand in [&mut self.inputs.seat, &mut self.inputs.remote] {
            hand.age = hand.age.map(|_| Duration::from_ticks(self.silent_us));
        }
        for (index, stroke) in self.strokes.iter().enumerate() {
            let id = AxisId::new(index).unwrap();
            let dither = if self.ticks.is_multiple_of(2) { 3e-4 } else { 0.0 };
            let healthy = Some(0.5 + 9.0 * stroke / 3.0 + dither);
            let read = |broken: Option<(usize, Option<f32>)>| {
                let volts = broken
                    .filter(|(axis, _)| *axis == index)
                    .map_or(healthy, |(_, volts)| volts);
                volts.and_then(|volts| Volts::new(volts).ok())
            };
            let fed = self.broken.excitation.filter(|(axis, _)| *axis == index);
            let before = self.inputs.sensors.get(id);
            if self.broken.stale == Some(index) {
                let age = before.age.as_ticks() + TICK_US;
                let age = Duration::from_ticks(age);
                self.inputs.sensors.set(id, SensorInput { age, ..before });
            } else if self.broken.frozen != Some(index) {
                let input = SensorInput {
                    signal: read(self.broken.sensor),
                    twin: read(self.broken.twin),
                    excitation: Volts::new(fed.map_or(EXCITATION, |(_, volts)| volts)).ok(),
                    age: Duration::from_ticks(0),
                };
                self.inputs.sensors.set(id, input);
            }
        }
        let told = self.outputs.map_or(Relays::default(), |outputs| outputs.relays);
        self.inputs.relays = self.broken.relays.unwrap_or(told);
        let outputs = self.controller.tick(&self.inputs);
        for (index, stroke) in self.strokes.iter_mut().enumerate() {
            let duty = outputs.valves.get(AxisId::new(index).unwrap()).number();
            let opening = (duty - 0.5) / 0.4;
            let beyond = (opening.abs() - DEADBAND).max(0.0) / (1.0 - DEADBAND);
            let supplied =
                outputs.relays.valve_power && outputs.relays.dump_closed && self.broken.jammed != Some(index);
            let commanded = if supplied {
                opening.signum() * beyond * FULL_RATE
            } else {
                0.0
            };
            let rate = match self.broken.runs {
                // A spool that sticks open moves its axis as long as there is pressure.
                Some((runs, rate)) if runs == index => {
                    if outputs.relays.dump_closed {
                        rate
                    } else {
                        0.0
                    }
                }
                _ => commanded,
            };
            let adrift = self.broken.adrift.filter(|(axis, _)| *axis == index);
            let rate = adrift.map_or(rate, |(_, rate)| rate);
            *stroke = (*stroke + rate * TICK_US as f32 * 1e-6).clamp(0.0, 3.0);
        }
        self.outputs = Some(outputs);
    }

    /// The controller loses its power and starts anew, with the record that it had kept.
    pub fn restart(&mut self) {
        self.restart_with(self.controller.record());
    }

    /// The same with what its memory has instead.
    pub fn restart_with(&mut self, kept: [u8; RECORD_LEN]) {
        self.controller = Controller::restarted(self.machine, kept);
        self.outputs = None;
    }

    /// The controller as it is now.
    pub fn controller(&self) -> Controller<'m> {
        self.controller.clone()
    }

    /// Where the last tick found the machine.
    pub fn posture(&self) -> Posture {
        self.controller.posture().unwrap().clone()
    }

    /// The interlock's state.
    pub fn state(&self) -> State {
        self.outputs.unwrap().status.state
    }

    /// The cause that the outputs name, with its axis.
    pub fn cause(&self) -> Option<(Cause, Option<usize>)> {
        let status = self.outputs.unwrap().status;
        status.cause.map(|cause| (cause, status.axis.map(AxisId::index)))
    }

    /// All events so far.
    pub fn events(&self) -> Vec<Event> {
        self.controller.log().since(0).copied().collect()
    }

    /// Something of this kind was logged.
    pub fn logged(&self, what: What) -> bool {
        self.events().iter().any(|event| event.what == what)
    }

    /// Power is on and a duty is away from neutral.
    pub fn moving(&self) -> bool {
        let outputs = self.outputs.unwrap();
        outputs.relays.valve_power && (0..2).any(|index| self.duty(index) != 0.5)
    }

    /// No power, dump open, every duty at neutral.
    pub fn dead(&self) -> bool {
        let outputs = self.outputs.unwrap();
        !outputs.relays.valve_power && !outputs.relays.dump_closed && (0..2).all(|index| self.duty(index) == 0.5)
    }

    /// The duty of an axis.
    pub fn duty(&self, index: usize) -> f32 {
        self.outputs.unwrap().valves.get(AxisId::new(index).unwrap()).number()
    }

    /// Presses and lets go of the reset button.
    pub fn press_reset(&mut self) {
        self.inputs.reset = true;
        self.run(50);
        self.inputs.reset = false;
        self.run(50);
    }
}
