//! A board of made-up parts around one axis that does what it is told: pins, a timer, a converter on SPI, a serial port. Each can be made
//! to fail, and the adapters in between are the ones that a port has.

mod electronics;

use std::boxed::Box;
use std::cell::RefCell;
use std::rc::Rc;

use bellcrank_core::Machine;
use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::HandFrame;
use bellcrank_core::linkage::Linkage;
use bellcrank_core::machine::{
    Axis, AxisId, Calibration, Channel, EachWay, Parts, PerAxis, Pwm, SeatPlace, Signal, StationLimits, Timing,
    Tracking, ValveCurve, Watch,
};
use bellcrank_core::math;
use bellcrank_core::supervise::State;
use bellcrank_core::units::{Duration, Instant, Lever, Volts};
use embedded_hal::digital::PinState;

use crate::hands::tests::{Control, Port};
use crate::*;
pub use electronics::{Adc, Line, Mood, STEPS, Timer};

pub const TICK_US: u64 = 2_000;

const NEUTRAL: u16 = STEPS / 2;

/// A seat whose frame is what the test says.
#[derive(Clone)]
pub struct Seat(pub Rc<RefCell<HandFrame>>);

impl Hands for Seat {
    fn listen(&mut self, _: Instant) -> Result<(), Fault> {
        Ok(())
    }

    fn frame(&self, _: Instant) -> HandFrame {
        *self.0.borrow()
    }
}

/// Everything outside of the processor.
pub struct World {
    pub stop_chain: [Line; 2],
    pub reset: Line,
    pub selector: Line,
    pub working: Line,
    pub relays: [Line; 3],
    pub feedback: [Line; 3],
    pub valve: Timer,
    pub adc: Adc,
    pub watchdog: Line,
    pub seat: Seat,
    pub control: Control,
    /// What the feedback contacts say whatever their relays do.
    pub stuck: Option<[bool; 3]>,
    pub stroke: f32,
    pub moved: f32,
}

/// The board, the core on it, and the world around it.
pub struct Bench<'m> {
    pub cycle: Cycle<'m, Wired<'static>>,
    pub world: World,
    pub turn: Option<Turn>,
    pub us: u64,
    /// Times that the watchdog's pin changed.
    pub fed: u32,
}

/// One axis that turns, driven by a duty, under a seat and a wireless station.
pub fn parts() -> Parts {
    let micros = Duration::from_ticks;
    let each = |value| EachWay {
        out: value,
        inward: value,
    };
    let station = |frame_late| StationLimits {
        frame_late: micros(frame_late),
        required: false,
        speed_cap: 1.0,
        dead_zone: 0.05,
        tip_speed: None,
        expo: 0.0,
        slow_share: 0.25,
    };
    let axis = Axis {
        linkage: Linkage::Direct { zero: -1.5 },
        stroke: (0.1, 2.9),
        sensor: Calibration {
            signal: Signal::Voltage,
            points: [(0.5, 0.0), (9.5, 3.0)].into_iter().collect(),
            fault: (0.2, 9.8),
        },
        twin: None,
        valve: ValveCurve {
            deadband: each(0.1),
            full_rate: each(0.5),
            out: [].into_iter().collect(),
            inward: [].into_iter().collect(),
        },
        area: each(1e-4),
        channel: Channel::Pwm(Pwm {
            neutral: 0.5,
            low: 0.1,
            high: 0.9,
            reversed: false,
        }),
        tracking: Tracking {
            gain: 2.0,
            smooth: 0.0,
            damp: 0.0,
            integral_time: 1.0,
            lead: 0.0,
            fill: each(0.0),
            run_on: each(0.0),
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
        lever: Some(0),
    };
    Parts {
        axes: [axis].into_iter().collect(),
        arms: [].into_iter().collect(),
        zones: [].into_iter().collect(),
        arm_margin: 0.0,
        footing: None,
        commissioning_speed: Some(0.25),
        control_supply: Some((20.0, 30.0)),
        timing: Timing {
            tick: micros(2_000),
            tick_late: micros(10_000),
            tick_early: micros(1_000),
            stop_discrepancy: micros(100_000),
            stop_pulse: micros(0),
            relay: Some(micros(50_000)),
            debounce: micros(20_000),
            stop_budget: micros(400_000),
            reaction: micros(50_000),
        },
        seat: station(60_000),
        remote: Some(station(150_000)),
        seat_place: SeatPlace::default(),
        pump_flow: 1e-3,
        second_pump_flow: 0.0,
    }
}

/// The converter's two channels: the axis, and the control voltage over a divider. An answer begins with the channel's number.
const ADC: Converter = Converter {
    inputs: &[
        Input {
            command: &[0],
            scale: 1.0,
            fixed: Fixed {
                mask: 0xff_0000,
                value: 0,
            },
        },
        Input {
            command: &[1],
            scale: 4.0,
            fixed: Fixed {
                mask: 0xff_0000,
                value: 0x01_0000,
            },
        },
    ],
    fetch: &[],
    answer: 3,
    bits: 16,
    below: 0,
    coding: Coding::Straight,
    reference: match Volts::new(10.0) {
        Ok(volts) => volts,
        Err(_) => panic!("it is a voltage"),
    },
    conversion: Duration::from_ticks(0),
};

fn tap(channel: u8) -> Tap {
    Tap { converter: 0, channel }
}

fn contact(line: &Line) -> &'static mut dyn Contact {
    Box::leak(Box::new(PinContact::new(line.clone(), PinState::High)))
}

/// The board on these wires.
pub fn wired(world: &World, station: LinkHands<Port>) -> Wired<'static> {
    let paths: [RelayPath; 3] = core::array::from_fn(|index| RelayPath {
        relay: Box::leak(Box::new(PinRelay::new(world.relays[index].clone(), PinState::High))),
        feedback: Some(contact(&world.feedback[index])),
    });
    let [valve_power, dump, engine] = paths;
    let [first, second] = &world.stop_chain;
    let adc: &mut dyn Analogue = Box::leak(Box::new(Sampler::new(SpiBus::new(world.adc.clone()), ADC).unwrap()));
    let valve: &mut dyn ValveOut = Box::leak(Box::new(PwmValve::new(world.valve.clone())));
    let window = (Duration::from_ticks(1_000), Duration::from_ticks(5_000));
    let mut sensors = PerAxis::default();
    let slew = Taps {
        signal: Some(tap(0)),
        ..Taps::default()
    };
    sensors.set(AxisId::new(0).unwrap(), slew);
    let panel = Panel {
        stop_chain: [contact(first), contact(second)],
        reset: contact(&world.reset),
        remote_selected: Some(contact(&world.selector)),
        working: Some(contact(&world.working)),
    };
    let relays = RelayPaths {
        valve_power,
        dump,
        engine,
    };
    let watchdog = Box::leak(Box::new(PinWatchdog::new(world.watchdog.clone(), window)));
    let mut board = Wired::new(panel, Box::leak(Box::new(world.seat.clone())), relays, watchdog);
    board.remote = Some(Box::leak(Box::new(station)));
    board.converters = [adc].into_iter().collect();
    board.sensors = sensors;
    board.supply = Some((tap(1), Duration::from_ticks(5_000)));
    board.valves = [valve].into_iter().collect();
    board
}

/// The world, and the station that listens on its serial port.
pub fn world() -> (World, LinkHands<Port>) {
    let (control, station) = Control::new();
    let world = World {
        stop_chain: [Line::at(true), Line::at(true)],
        reset: Line::default(),
        selector: Line::at(true),
        working: Line::at(true),
        relays: Default::default(),
        feedback: Default::default(),
        valve: Timer::default(),
        adc: Adc::default(),
        watchdog: Line::default(),
        seat: Seat(Rc::new(RefCell::new(HandFrame {
            age: Some(Duration::from_ticks(0)),
            stop_clear: true,
            ..HandFrame::default()
        }))),
        control,
        stuck: None,
        stroke: 1.5,
        moved: 0.0,
    };
    (world, station)
}

impl<'m> Bench<'m> {
    /// Just switched on.
    pub fn new(machine: &'m Machine) -> Self {
        let (world, station) = world();
        let cycle = Cycle::new(machine, wired(&world, station), None).unwrap();
        Self {
            cycle,
            world,
            turn: None,
            us: 0,
            fed: 0,
        }
    }

    /// In `Ready`, the wireless station in charge.
    pub fn ready(machine: &'m Machine) -> Self {
        let mut bench = Self::new(machine);
        bench.run(400);
        assert_eq!(bench.state(), State::Ready, "{:?}", bench.turn);
        bench
    }

    /// Enabled from the wireless station, and turning.
    pub fn moving(machine: &'m Machine) -> Self {
        let mut bench = Self::ready(machine);
        bench.enable_and_move();
        bench
    }

    /// What whoever holds the hand control does to make it move.
    pub fn enable_and_move(&mut self) {
        self.world.control.hands.enable = true;
        self.run(100);
        // To the end that is further away.
        self.lever(if self.world.stroke > 1.5 { -0.5 } else { 0.5 });
        self.run(200);
        assert!(self.moves(), "{:?}", self.turn);
    }

    /// Everything let go, the reset button pressed, and some time for the self-test.
    pub fn reset(&mut self) {
        self.lever(0.0);
        self.world.control.hands.enable = false;
        self.run(100);
        self.world.reset.high.set(true);
        self.run(100);
        self.world.reset.high.set(false);
        self.run(300);
    }

    pub fn lever(&mut self, share: f32) {
        self.world.control.hands.levers[0] = Lever::new(share).unwrap();
    }

    /// Turns for so many milliseconds.
    pub fn run(&mut self, ms: u64) {
        for _ in 0..ms * 1_000 / TICK_US {
            self.turn();
        }
    }

    /// One turn, and what it does to the axis.
    pub fn turn(&mut self) {
        self.us += TICK_US;
        let (now, world) = (Instant::from_ticks(self.us), &mut self.world);
        world.control.turn(now);
        let noise = if (self.us / TICK_US).is_multiple_of(2) {
            3e-4
        } else {
            0.0
        };
        *world.adc.volts.borrow_mut() = [0.5 + 3.0 * world.stroke + noise, 24.0 / 4.0];
        for (index, feedback) in world.feedback.iter().enumerate() {
            let pulled_in = world.relays[index].high.get();
            feedback.high.set(world.stuck.map_or(pulled_in, |stuck| stuck[index]));
        }
        let fed = world.watchdog.high.get();
        let turn = self.cycle.turn(now);
        self.fed += u32::from(world.watchdog.high.get() != fed);
        let opening = (f32::from(world.valve.steps.get()) - f32::from(NEUTRAL)) / f32::from(STEPS) / 0.4;
        let beyond = math::max(opening.abs() - 0.1, 0.0) / 0.9;
        let rate = if self.powered() {
            opening.signum() * beyond * 0.5
        } else {
            0.0
        };
        self.world.moved = rate * TICK_US as f32 * 1e-6;
        self.world.stroke += self.world.moved;
        self.turn = Some(turn);
    }

    /// There is pressure, and power to the valve's electronics.
    pub fn powered(&self) -> bool {
        let [valve_power, dump, _] = &self.world.relays;
        valve_power.high.get() && dump.high.get()
    }

    pub fn moves(&self) -> bool {
        self.world.moved != 0.0
    }

    /// No relay has current.
    pub fn dead(&self) -> bool {
        self.world.relays.iter().all(|relay| !relay.high.get())
    }

    pub fn state(&self) -> State {
        self.turn.as_ref().unwrap().outputs.status.state
    }

    pub fn cause(&self) -> Option<Cause> {
        self.turn.as_ref().unwrap().outputs.status.cause
    }

    pub fn last(&self) -> &Turn {
        self.turn.as_ref().unwrap()
    }
}
