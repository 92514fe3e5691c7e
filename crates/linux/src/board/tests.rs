//! The board on terminals that a test holds in its hand, alone and with the core.

use std::cell::RefCell;
use std::rc::Rc;

use bellcrank_core::supervise::State;
use bellcrank_hal::Cycle;

use super::*;
use crate::mapping::{self, Wanted};

const TICK_US: u64 = 2000;

/// The other end.
#[derive(Debug, Default)]
struct Line {
    inputs: Vec<u8>,
    outputs: Vec<u8>,
    /// Nothing can be read; nothing can be written.
    deaf: bool,
    dumb: bool,
    written: u32,
}

#[derive(Debug, Clone, Default)]
struct Held(Rc<RefCell<Line>>);

impl Bus for Held {
    fn take(&mut self, inputs: &mut [u8], now: Instant) -> Result<Instant, Fault> {
        let line = self.0.borrow();
        inputs.copy_from_slice(&line.inputs);
        if line.deaf { Err(Fault::Bus) } else { Ok(now) }
    }

    fn give(&mut self, outputs: &[u8], _: Instant) -> Result<(), Fault> {
        let mut line = self.0.borrow_mut();
        if line.dumb {
            return Err(Fault::Bus);
        }
        line.outputs = outputs.to_vec();
        line.written += 1;
        Ok(())
    }

    fn finish(&mut self) {}
}

struct Bench {
    mapping: &'static Mapping,
    machine: &'static Machine,
    line: Held,
    now: u64,
}

impl Bench {
    /// The yard digger, everything healthy, nobody at the levers.
    fn new() -> Self {
        let description = bellcrank_machine::read("m", bellcrank_machine::builtin("yard-digger").unwrap()).unwrap();
        let names: Vec<String> = description.axes.iter().map(|axis| axis.name.clone()).collect();
        let machine: &'static Machine = Box::leak(Box::new(bellcrank_machine::build(&description).unwrap()));
        let wanted = Wanted { machine, names: &names };
        let mapping: &'static Mapping = Box::leak(Box::new(mapping::read("m", mapping::BUILTIN[0].1, wanted).unwrap()));
        let bench = Self {
            mapping,
            machine,
            line: Held::default(),
            now: TICK_US,
        };
        let mut inputs = vec![0; mapping.input_bytes];
        for bit in mapping.stop_chain.into_iter().chain(mapping.working) {
            bit.put(&mut inputs, true);
        }
        mapping.supply.unwrap().put(&mut inputs, 24.0);
        for axis in &mapping.axes {
            axis.sensor.put(&mut inputs, 5.0);
        }
        for station in mapping.stations() {
            let StationPlaces::Wired(places) = station else {
                panic!("levers")
            };
            for bit in places.stop.into_iter().chain(places.heard) {
                bit.put(&mut inputs, true);
            }
            for lever in &places.levers {
                lever.at.put(&mut inputs, 2.5);
            }
        }
        bench.line.0.borrow_mut().inputs = inputs;
        bench
    }

    fn board(&self) -> Terminals<'static> {
        Terminals::new(self.mapping, Box::new(self.line.clone()), [None, None], self.at())
    }

    fn at(&self) -> Instant {
        Instant::from_ticks(self.now)
    }

    fn change(&self, change: impl FnOnce(&Mapping, &mut [u8])) {
        change(self.mapping, &mut self.line.0.borrow_mut().inputs);
    }

    fn seat(&self) -> &'static WiredPlaces {
        let StationPlaces::Wired(places) = &self.mapping.seat else {
            panic!("levers")
        };
        places
    }

    /// The other end repeats the count, and its relays follow what they are told.
    fn answer(&self) {
        let mut line = self.line.0.borrow_mut();
        let life = self.mapping.life.unwrap();
        let told = life.told.bits(&line.outputs);
        life.echo.put_bits(&mut line.inputs, told);
        for relay in &self.mapping.relays {
            let told = relay.told.get(&line.outputs);
            relay.contact.unwrap().put(&mut line.inputs, told);
        }
    }

    /// Turns of the core, each answered unless nobody does; the state after the last.
    fn run(&mut self, cycle: &mut Cycle<Terminals>, turns: u32, answered: bool) -> State {
        let mut state = State::SelfTest;
        for _ in 0..turns {
            state = cycle.turn(self.at()).outputs.status.state;
            self.now += TICK_US;
            if answered {
                self.answer();
            }
        }
        state
    }

    /// A core that has been enabled, with a lever pushed.
    fn enabled(&mut self) -> Cycle<'static, Terminals<'static>> {
        let mut board = self.board();
        assert!(!board.greet(self.at()), "nobody has answered yet");
        self.now += TICK_US;
        self.answer();
        assert!(board.greet(self.at()));
        self.answer();
        let mut cycle = Cycle::new(self.machine, board, None).unwrap();
        assert_eq!(self.run(&mut cycle, 100, true), State::Ready);
        let seat = self.seat();
        self.change(|_, image| seat.enable.put(image, true));
        assert_eq!(self.run(&mut cycle, 30, true), State::Enabled);
        self.change(|_, image| seat.levers[1].at.put(image, 3.2));
        assert_eq!(self.run(&mut cycle, 50, true), State::Enabled);
        assert_ne!(
            self.line.0.borrow().outputs[self.valve()..][..2],
            Self::stay(),
            "the boom is told to move"
        );
        cycle
    }

    fn valve(&self) -> usize {
        let ValvePlaces::Duty(at) = self.mapping.axes[1].valve else {
            panic!("a duty")
        };
        at.word.byte
    }

    /// The bytes of a duty of 50 %.
    fn stay() -> [u8; 2] {
        16384_u16.to_le_bytes()
    }

    fn power(&self) -> [bool; 3] {
        let line = self.line.0.borrow();
        self.mapping.relays.map(|relay| relay.told.get(&line.outputs))
    }
}

#[test]
fn what_comes_in_is_as_old_as_the_count_that_it_has() {
    let mut bench = Bench::new();
    let mut board = bench.board();
    let mut troubles = Troubles::default();
    board.greet(bench.at());
    bench.answer();
    let sent = bench.now;
    bench.now += 7000;
    let inputs = board.read(bench.at(), &mut troubles);
    assert_eq!(
        inputs
            .sensors
            .get(bellcrank_core::machine::AxisId::new(0).unwrap())
            .age
            .as_ticks(),
        7000
    );
    assert_eq!(inputs.seat.age.unwrap().as_ticks(), 7000);
    assert_eq!(
        (inputs.stop_chain, inputs.commissioning, sent),
        ([true; 2], false, TICK_US)
    );
    assert!((inputs.supply.unwrap().volts() - 24.0).abs() < 0.01 && troubles.is_empty());
}

/// Nobody has answered for longer than `life_ms`: each contact is what moves less, and what was read is old.
#[test]
fn silence_counts_as_what_moves_less() {
    let mut bench = Bench::new();
    let mut board = bench.board();
    board.greet(bench.at());
    bench.answer();
    bench.change(|mapping, image| {
        mapping.reset.put(image, true);
        mapping.relays[0].contact.unwrap().put(image, true);
    });
    bench.now += 40_000;
    let inputs = board.read(bench.at(), &mut Troubles::default());
    assert!(
        inputs.reset && inputs.relays.valve_power && inputs.stop_chain == [true; 2],
        "not yet"
    );
    bench.now += 1000;
    let mut troubles = Troubles::default();
    let inputs = board.read(bench.at(), &mut troubles);
    assert_eq!(
        (inputs.stop_chain, inputs.reset, inputs.commissioning),
        ([false; 2], false, true)
    );
    assert_eq!(
        (inputs.seat, inputs.remote, inputs.supply),
        (HandFrame::default(), HandFrame::default(), None)
    );
    assert_eq!(
        inputs.relays,
        Relays {
            valve_power: true,
            dump_closed: true,
            engine_run: true
        },
        "none is where it was told to be"
    );
    let sensor = inputs.sensors.get(bellcrank_core::machine::AxisId::new(0).unwrap());
    assert_eq!(sensor.age.as_ticks(), 41_000);
    assert!(
        troubles
            .iter()
            .any(|trouble| trouble.at == Place::StopChain(0) && trouble.what == Fault::NoAnswer)
    );
}

/// An image that others wrote, or that is garbage, has not the count that was sent: what was read before stays, and ages.
#[test]
fn an_image_with_another_count_is_not_used() {
    let mut bench = Bench::new();
    let mut board = bench.board();
    for _ in 0..10 {
        board.greet(bench.at());
        bench.answer();
        bench.now += TICK_US;
    }
    let before = board.read(bench.at(), &mut Troubles::default());
    bench.change(|mapping, image| {
        let life = mapping.life.unwrap();
        let told = life.echo.bits(image);
        image.fill(0xff);
        life.echo.put_bits(image, told ^ 0x4711);
    });
    bench.now += TICK_US;
    let after = board.read(bench.at(), &mut Troubles::default());
    let frame = |inputs: &Inputs| HandFrame {
        age: None,
        ..inputs.seat
    };
    assert_eq!(frame(&after), frame(&before));
    assert_eq!(
        after.seat.age.unwrap().as_ticks(),
        before.seat.age.unwrap().as_ticks() + 2000
    );
    // One that was sent, but before what has been read already.
    let life = bench.mapping.life.unwrap();
    let told = life.told.bits(&bench.line.0.borrow().outputs);
    bench.change(|_, image| {
        life.echo
            .put_bits(image, if told > 5 { told - 5 } else { 65_535 - (5 - told) });
    });
    assert_eq!(frame(&board.read(bench.at(), &mut Troubles::default())), frame(&before));
}

#[test]
fn the_count_goes_on_only_when_the_watchdog_is_fed() {
    let bench = Bench::new();
    let mut board = bench.board();
    let count = || bench.mapping.life.unwrap().told.bits(&bench.line.0.borrow().outputs);
    let outputs = idle(bench.machine);
    assert!(board.write(&outputs, &mut Troubles::default()));
    assert!(board.write(&outputs, &mut Troubles::default()));
    assert_eq!(bench.line.0.borrow().written, 2);
    let before = count();
    board.write(&outputs, &mut Troubles::default());
    assert_eq!(count(), before);
    board.feed(&mut Troubles::default());
    let after = count();
    assert!(after != before && after != 0);
    assert!(board.cut(&mut Troubles::default()));
    assert_eq!(count(), after);
}

/// What a core puts out that stands still.
fn idle(machine: &Machine) -> Outputs {
    let mut valves = PerAxis::default();
    for (id, axis) in machine.axes() {
        valves.set(id, ValveSignal::stay(&axis.channel));
    }
    Outputs {
        valves,
        relays: Relays::default(),
        alive: true,
        status: bellcrank_core::outputs::Status {
            state: State::Standby,
            cause: None,
            axis: None,
            before: None,
        },
    }
}

#[test]
fn cut_is_an_image_of_zeros_but_for_the_count() {
    let mut bench = Bench::new();
    let mut cycle = bench.enabled();
    assert_eq!(bench.power(), [true; 3]);
    assert!(cycle.cut());
    let line = bench.line.0.borrow();
    let life = bench.mapping.life.unwrap().told;
    let mut outputs = line.outputs.clone();
    life.put_bits(&mut outputs, 0);
    assert!(outputs.iter().all(|byte| *byte == 0) && life.bits(&line.outputs) > 0);
}

#[test]
fn a_signal_of_another_kind_is_not_written() {
    let bench = Bench::new();
    let mut board = bench.board();
    let mut outputs = idle(bench.machine);
    outputs.valves.set(
        bellcrank_core::machine::AxisId::new(2).unwrap(),
        ValveSignal::Voltage(Volts::default()),
    );
    let mut troubles = Troubles::default();
    assert!(!board.write(&outputs, &mut troubles));
    assert_eq!((troubles.iter().count(), bench.line.0.borrow().written), (1, 0));
}

#[test]
fn a_lever_outside_of_its_band_or_a_receiver_that_hears_nothing_is_no_frame() {
    let mut bench = Bench::new();
    let mut board = bench.board();
    let seat = bench.seat();
    let Some(StationPlaces::Wired(remote)) = &bench.mapping.remote else {
        panic!("levers")
    };
    let mut frames = |bench: &mut Bench| {
        board.greet(bench.at());
        bench.answer();
        bench.now += TICK_US;
        let inputs = board.read(bench.at(), &mut Troubles::default());
        [inputs.seat.age.is_some(), inputs.remote.age.is_some()]
    };
    assert_eq!(frames(&mut bench), [true; 2]);
    bench.change(|_, image| remote.heard.unwrap().put(image, false));
    assert_eq!(frames(&mut bench), [true, false]);
    bench.change(|_, image| seat.levers[3].at.put(image, 0.0));
    assert_eq!(frames(&mut bench), [false, false]);
}

#[test]
fn a_machine_that_it_is_not_for_is_refused() {
    let bench = Bench::new();
    let other = bellcrank_machine::read("m", bellcrank_machine::builtin("servo-digger").unwrap()).unwrap();
    let other = bellcrank_machine::build(&other).unwrap();
    let axis = bellcrank_core::machine::AxisId::new(0).unwrap();
    assert_eq!(bench.board().fits(&other), Err(Misfit::Valve(axis)));
    assert_eq!(bench.board().fits(bench.machine), Ok(()));
}

/// However the terminals fall silent: no power within `life_ms` and a tick, and none again before a reset with the levers at rest, though
/// they answer again with the lever held over and the enabling switch held.
#[test]
fn silence_stops_and_only_a_reset_with_the_levers_at_rest_ends_it() {
    for silent in ["answers no more", "cannot be read", "cannot be written", "garbage"] {
        let mut bench = Bench::new();
        let mut cycle = bench.enabled();
        let healthy = bench.line.0.borrow().inputs.clone();
        match silent {
            "cannot be read" => bench.line.0.borrow_mut().deaf = true,
            "cannot be written" => bench.line.0.borrow_mut().dumb = true,
            "garbage" => bench.change(|_, image| image.fill(0xa5)),
            _ => {}
        }
        // 40 ms of silence are borne, and a tick.
        let state = bench.run(&mut cycle, 22, false);
        assert!(matches!(state, State::Stopped | State::Fault), "{silent}: {state}");
        if silent != "cannot be written" {
            assert_eq!(bench.power(), [false; 3], "{silent}");
        }
        {
            let mut line = bench.line.0.borrow_mut();
            (line.deaf, line.dumb, line.inputs) = (false, false, healthy);
        }
        let state = bench.run(&mut cycle, 300, true);
        assert!(
            matches!(state, State::Stopped | State::Fault),
            "{silent}, answered again: {state}"
        );
        assert!(!bench.power()[0], "{silent}");
        let press = |bench: &mut Bench, cycle: &mut Cycle<Terminals>| {
            bench.change(|mapping, image| mapping.reset.put(image, true));
            bench.run(cycle, 60, true);
            bench.change(|mapping, image| mapping.reset.put(image, false));
            bench.run(cycle, 200, true)
        };
        let state = press(&mut bench, &mut cycle);
        assert!(
            matches!(state, State::Stopped | State::Fault),
            "{silent}, a lever held over: {state}"
        );
        let seat = bench.seat();
        bench.change(|_, image| seat.levers[1].at.put(image, 2.5));
        assert!(
            !matches!(bench.run(&mut cycle, 100, true), State::Ready | State::Enabled),
            "{silent}"
        );
        let state = press(&mut bench, &mut cycle);
        assert!(
            matches!(state, State::Standby | State::Ready),
            "{silent}, reset: {state}"
        );
        bench.change(|_, image| seat.enable.put(image, false));
        assert_eq!(bench.run(&mut cycle, 100, true), State::Ready, "{silent}");
        bench.change(|_, image| seat.enable.put(image, true));
        assert_eq!(bench.run(&mut cycle, 30, true), State::Enabled, "{silent}");
    }
}
