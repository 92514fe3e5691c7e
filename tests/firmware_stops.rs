//! The emulated board in the closed loop with the plant, and what can happen between the two: the link is lost, whoever asks freezes, is killed and comes
//! back, the wire carries garbage, the board itself is killed. Everything is off within the stated time, the arm comes to rest, and it moves again only
//! after a reset with the levers at rest.

use std::sync::Arc;
use std::time::{Duration, Instant};

use bellcrank_core::Machine;
use bellcrank_core::inputs::{HandFrame, Mode, Relays};
use bellcrank_core::machine::image::Fingerprint;
use bellcrank_core::outputs::Outputs;
use bellcrank_core::supervise::{RECORD_LEN, State};
use bellcrank_core::units::Lever;
use bellcrank_hal::exchange::{Answer, Ask, QUIET, framed};
use bellcrank_machine::description::Description;
use bellcrank_sim::board::Board;
use bellcrank_sim::live::{Live, built};
use bellcrank_sim::run::{SAMPLE_S, rehearse, rehearse_on};
use bellcrank_sim::scenario::{self, Scenario};

use crate::firmware::{emulated, serial};

/// The stick has gone so far when it counts as moving, m, and no further than this in so long when it counts as resting, s.
const MOVES_M: f64 = 0.004;
const RESTS_M: f64 = 0.001;
const REST_S: f64 = 0.4;
/// The yard digger's stick.
const STICK: usize = 2;
/// What a busy computer may add to what a board is given, s.
const BUSY: Duration = Duration::from_secs(6);

/// The digger with a tick that a serial line can follow.
fn slow_digger() -> Description {
    let text = bellcrank_machine::builtin("yard-digger").unwrap();
    let text = text
        .replacen("tick_ms = 2\n", "tick_ms = 5\n", 1)
        .replacen("tick_early_ms = 1\n", "tick_early_ms = 2\n", 1)
        .replacen("dither_hz = 125", "dither_hz = 100", 1);
    bellcrank_machine::read("slow-digger.toml", &text).unwrap()
}

/// The board and the machine that it moves.
struct Loop<'s> {
    live: Live<'s>,
    board: Board,
    hands: HandFrame,
    reset: bool,
    record: [u8; RECORD_LEN],
}

fn standing(machine: Description) -> Scenario {
    Scenario {
        start: [-15.0_f64, -52.0, 86.0, 0.0].map(f64::to_radians).to_vec(),
        ..Scenario::idle("stops", Arc::new(machine), "slow-digger".to_owned(), f64::INFINITY)
    }
}

impl<'s> Loop<'s> {
    fn new(scenario: &'s Scenario, machine: &'s Machine, mut board: Board) -> Self {
        board
            .load(machine, Fingerprint::default())
            .expect("it takes the machine");
        board.start(None).expect("it starts");
        Self {
            live: Live::new(scenario, machine, 1).expect("a machine"),
            board,
            hands: hands(),
            reset: false,
            record: [0; RECORD_LEN],
        }
    }

    fn turn(&mut self) -> Outputs {
        self.live.wiring.hold(self.hands, self.reset);
        let t = self.live.time();
        let inputs = self.live.read(t);
        let turned = self.board.turn(&inputs).expect("an answer");
        self.record = turned.record;
        self.live.outputs = turned.outputs;
        self.live.go().expect("the plant goes on");
        turned.outputs
    }

    fn stick(&self) -> f64 {
        self.live.plant.axis(STICK).stroke
    }

    /// Goes on until it is in a state; that takes no longer than 3 s of the machine.
    #[track_caller]
    fn until(&mut self, state: State) {
        let by = self.live.time() + 3.0;
        let mut last = None;
        while last != Some(state) {
            assert!(self.live.time() < by, "{state:?} is wanted, and it is {last:?}");
            last = Some(self.turn().status.state);
        }
    }

    /// For so long nothing can move: valves and dump valve have no power. The engine may run.
    #[track_caller]
    fn off_for(&mut self, span: f64) {
        let until = self.live.time() + span;
        while self.live.time() < until {
            let outputs = self.turn();
            let Relays {
                valve_power,
                dump_closed,
                ..
            } = outputs.relays;
            assert!(!valve_power && !dump_closed, "{:?}", outputs.status);
        }
    }

    /// Enabled, with the stick on its way.
    #[track_caller]
    fn works(&mut self) {
        self.until(State::Ready);
        self.hands.enable = true;
        self.until(State::Enabled);
        self.hands.levers[STICK] = Lever::new(0.4).unwrap();
        let (from, by) = (self.stick(), self.live.time() + 2.0);
        while (self.stick() - from).abs() < MOVES_M {
            assert!(self.live.time() < by, "the stick stands still");
            let status = self.turn().status;
            assert_eq!(status.state, State::Enabled, "{status:?}");
        }
    }

    /// With the switch still held and the lever over: no power, and the arm comes to rest. A reset with the lever over helps nothing, nor does letting go
    /// of it. A reset after that does.
    #[track_caller]
    fn recovers_only_by_a_reset(&mut self) {
        self.off_for(0.5);
        let stood = self.stick();
        self.off_for(REST_S);
        assert!((self.stick() - stood).abs() < RESTS_M, "it goes on");
        for (reset, hands) in [(true, self.hands), (false, hands())] {
            (self.reset, self.hands) = (reset, hands);
            self.off_for(0.4);
        }
        self.reset = true;
        self.until(State::Ready);
        self.reset = false;
        self.works();
    }
}

/// Nothing pushed, nothing enabled, and it is heard.
fn hands() -> HandFrame {
    HandFrame {
        mode: Mode::Joint,
        stop_clear: true,
        ..HandFrame::default()
    }
}

#[test]
fn a_lost_link_stops_the_emulated_core_as_it_does_the_one_here() {
    let scenario = scenario::read("lost-radio-link").expect("built in");
    let here = rehearse(&scenario, 1).expect("it runs");
    let (there, board) = rehearse_on(&scenario, 1, SAMPLE_S, Some(emulated())).expect("it runs");
    assert_eq!(there.digest, here.digest);
    let log = board.expect("given back").log().join("\n");
    assert!(log.contains("LinkLost"), "{log}");
}

/// Frozen, and a wire with nothing on it but pieces of frames.
#[test]
fn a_board_that_hears_nobody_is_off_in_its_time_and_stays_so() {
    let description = slow_digger();
    let (machine, scenario) = (built(&description).unwrap(), standing(description.clone()));
    let mut work = Loop::new(&scenario, &machine, serial());
    let quiet = Duration::from_micros(QUIET.as_ticks().into());
    let piece = framed(&Ask::Who).expect("short");
    for garbage in [false, true] {
        work.works();
        let since = Instant::now();
        let silent = loop {
            assert!(
                since.elapsed() < quiet + BUSY,
                "garbage {garbage}: it goes on as it was"
            );
            if garbage {
                work.board.send(&piece[1..]).expect("sent");
            }
            if let Ok(Answer::Silent(turned)) = work.board.next(quiet / 10) {
                break turned;
            }
        };
        assert!(matches!(silent.outputs.status.state, State::Stopped | State::Fault));
        assert_eq!(silent.outputs.relays, Relays::default());
        work.live.outputs = silent.outputs;
        work.board.clear();
        work.recovers_only_by_a_reset();
        work.hands = hands();
        work.until(State::Ready);
    }
}

/// Whoever asks has been killed and comes back, with a clock that begins anew, and the board that it finds is the one that it left.
#[test]
fn a_host_that_is_killed_and_started_again_finds_a_board_that_has_stopped() {
    let description = slow_digger();
    let (machine, scenario) = (built(&description).unwrap(), standing(description.clone()));
    let mut work = Loop::new(&scenario, &machine, emulated());
    work.works();
    work.live = Live::new(&scenario, &machine, 2).expect("a machine");
    work.turn();
    work.recovers_only_by_a_reset();
}

/// The board is killed while it works, and another is switched on with what it had kept.
#[test]
fn a_board_that_is_killed_starts_into_a_stop() {
    let description = slow_digger();
    let (machine, scenario) = (built(&description).unwrap(), standing(description.clone()));
    let mut work = Loop::new(&scenario, &machine, emulated());
    work.works();
    // Ended by SIGKILL: nothing is asked of it any more.
    work.board = emulated();
    work.board
        .load(&machine, Fingerprint::default())
        .expect("it takes the machine");
    work.board.start(Some(work.record)).expect("it starts");
    work.recovers_only_by_a_reset();
}
