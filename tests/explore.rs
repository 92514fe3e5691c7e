//! The interlock explored to the end: every state that switches, hands and faults can bring it to, in every order.
//!
//! What is explored is the code that runs: the switches of `sense`, the interlock of `supervise`, and the gate. In each tick the world
//! does anything it likes, and any stage may be left out. Beside it runs a monitor that knows nothing of the interlock's insides; it says
//! what must never be, and what must be possible. Debouncing and test pulses take no time here: they have tests of their own.

use std::sync::Arc;

use bellcrank_core::Inputs;
use bellcrank_core::cause::{Category, Cause};
use bellcrank_core::gate::Gate;
use bellcrank_core::inputs::{Authority, Station};
use bellcrank_core::machine::{Axis, AxisId, Machine, PerAxis};
use bellcrank_core::outputs::ValveSignal;
use bellcrank_core::sense::Switches;
use bellcrank_core::stamp::Stamp;
use bellcrank_core::supervise::{Action, Facts, Hand, Interlock, Permit, SELF_TEST, State, Table, Trigger, next};
use bellcrank_core::units::{Duration, Duty};
use stateright::{Checker, Model, Property};

use crate::check::{Bench, parts, permit, whole};

/// One tick, half the self-test: two ticks of it are long enough to tell a count from an edge, and few enough to walk through.
const TICK: Duration = Duration::from_ticks(SELF_TEST.as_ticks() / 2);
/// Ticks for which the stop channels may differ, and in which a stop must be through.
const DISCREPANCY: u32 = 1;
const BUDGET: u32 = 3;

const NEVER: &str = "what must never be is not";
const FROM_SEAT: &str = "enabled from the seat, with no stop before";
const AFTER_STOP: &str = "enabled after a stop button";

/// What one station sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Sent {
    /// Nothing, or frames that are too old.
    Nothing,
    /// A lever is moved.
    Moved,
    /// Every lever is at neutral.
    Neutral,
}

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Wrong {
    /// Nothing.
    Nothing,
    /// This is found.
    Found(Cause, Option<AxisId>),
    /// A stage is left out: its stamp is missing at the gate, and is missed by supervision in the next tick.
    StageLeftOut,
}

/// What the world does in one tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct World {
    stop_chain: [bool; 2],
    seat: Sent,
    remote: Sent,
    enable: [bool; 2],
    selected: Authority,
    reset: bool,
    wrong: Wrong,
    at_rest: bool,
}

impl World {
    /// All that it can do. Which one of the stop channels is open makes no difference to any line of code, nor which hand's stop
    /// button is pressed.
    fn all() -> Vec<Self> {
        const SENT: [Sent; 3] = [Sent::Nothing, Sent::Moved, Sent::Neutral];
        const CHAINS: [[bool; 2]; 3] = [[true, true], [true, false], [false, false]];
        const BOTH: [bool; 2] = [false, true];
        let authority = |station, commissioning| Authority { station, commissioning };
        let selections = [
            authority(Station::Seat, false),
            authority(Station::Seat, true),
            authority(Station::Remote, false),
        ];
        let wrongs = [
            Wrong::Nothing,
            Wrong::Found(Cause::SensorLow, AxisId::new(0)),
            Wrong::Found(Cause::MotionUnasked, AxisId::new(0)),
            Wrong::Found(Cause::HandStop, None),
            Wrong::StageLeftOut,
        ];
        let mut all = Vec::new();
        for stop_chain in CHAINS {
            for (seat, remote) in SENT.into_iter().flat_map(|seat| SENT.map(|remote| (seat, remote))) {
                for enable in BOTH.into_iter().flat_map(|seat| BOTH.map(|remote| [seat, remote])) {
                    for selected in selections {
                        for (reset, at_rest) in BOTH.into_iter().flat_map(|reset| BOTH.map(|rest| (reset, rest))) {
                            all.extend(wrongs.map(|wrong| Self {
                                stop_chain,
                                seat,
                                remote,
                                enable,
                                selected,
                                reset,
                                wrong,
                                at_rest,
                            }));
                        }
                    }
                }
            }
        }
        all
    }

    fn sent(&self, station: Station) -> Sent {
        match station {
            Station::Seat => self.seat,
            Station::Remote => self.remote,
        }
    }

    fn no_lever_moved(&self) -> bool {
        self.seat != Sent::Moved && self.remote != Sent::Moved
    }
}

/// What is walked through: what the core remembers, and the monitor.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
struct Walk {
    switches: Switches,
    interlock: Interlock,
    /// In the last tick a stage was left out.
    left_out: bool,
    monitor: Monitor,
}

/// Looks on, from outside.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Monitor {
    /// What the last tick allowed.
    action: Action,
    /// Since the last stop: it was cleared, with every lever at neutral, and then reset deliberately.
    may_enable: bool,
    last_reset: bool,
    last_enable: bool,
    /// For how many ticks power has stayed on although something was to stop it.
    ramping: u32,
    /// Why it has stopped, until it is reset.
    stopped: Option<Cause>,
    /// What the last reset cleared, until the next stop.
    recovered: Option<Cause>,
    /// What must never be, and was.
    broken: Option<&'static str>,
}

impl Default for Monitor {
    fn default() -> Self {
        Self {
            action: Action::Cut,
            // Nothing has stopped it yet.
            may_enable: true,
            last_reset: false,
            last_enable: false,
            ramping: 0,
            stopped: None,
            recovered: None,
            broken: None,
        }
    }
}

/// The core's part in it, and a table.
struct Explored {
    table: Table,
    machine: Machine,
    inputs: Inputs,
    worlds: Arc<Vec<World>>,
}

impl Explored {
    fn with(table: Table) -> Self {
        let mut parts = parts();
        let ticks = |count: u32| Duration::from_ticks(count * TICK.as_ticks());
        parts.timing.tick = TICK;
        parts.timing.tick_late = ticks(2);
        parts.timing.debounce = ticks(0);
        parts.timing.stop_discrepancy = ticks(DISCREPANCY);
        parts.timing.stop_budget = ticks(BUDGET);
        let machine = Machine::new(parts).unwrap();
        let inputs = Bench::new(&machine).inputs;
        Self {
            table,
            machine,
            inputs,
            worlds: Arc::new(World::all()),
        }
    }

    /// One tick of the code that runs.
    fn tick(&self, walk: &Walk, world: &World) -> Walk {
        let mut after = walk.clone();
        let mut inputs = self.inputs;
        inputs.stop_chain = world.stop_chain;
        inputs.reset = world.reset;
        [inputs.seat.enable, inputs.remote.enable] = world.enable;
        let levels = after.switches.step(&self.machine, &inputs, TICK);
        let found = [
            (levels.stop_demanded, Cause::StopButton),
            (levels.stop_discrepancy, Cause::StopDiscrepancy),
            (levels.stop_stuck, Cause::StopStuck),
            (walk.left_out, Cause::StageOrder),
        ];
        let found = found
            .into_iter()
            .filter(|(holds, _)| *holds)
            .map(|(_, cause)| (cause, None));
        let wrong = match world.wrong {
            Wrong::Found(cause, axis) => Some((cause, axis)),
            Wrong::Nothing | Wrong::StageLeftOut => None,
        };
        after.left_out = world.wrong == Wrong::StageLeftOut;
        let hand = |station| Hand {
            heard: world.sent(station) != Sent::Nothing,
            neutral: world.sent(station) != Sent::Moved,
            enable: levels.enable(station),
            required: false,
        };
        let facts = Facts {
            found: found.chain(wrong).collect(),
            selected: Some(world.selected),
            seat: hand(Station::Seat),
            remote: hand(Station::Remote),
            reset: levels.reset,
            well: wrong.is_none(),
            at_rest: world.at_rest,
        };
        let (state, action) =
            after
                .interlock
                .step(self.table, &facts, TICK, self.machine.timing().stop_budget, |_, _| ());

        let permit = Permit {
            state,
            action,
            cause: after.interlock.cause(),
            ..permit(&self.machine)
        };
        let stamp = if after.left_out { Stamp::default() } else { whole(1) };
        let hostile = PerAxis::all(ValveSignal::Duty(Duty::new(0.9).unwrap()));
        let out = Gate::default().step(&self.machine, &inputs, &permit, stamp, &hostile);
        let stays = |(id, axis): (AxisId, &Axis)| out.valves.get(id) == ValveSignal::stay(&axis.channel);
        let moves = out.relays.valve_power || out.relays.dump_closed || !self.machine.axes().all(stays);
        after.monitor.look(walk, world, &facts, &after.interlock, action, moves);
        after
    }
}

impl Monitor {
    fn look(
        &mut self,
        before: &Walk,
        world: &World,
        facts: &Facts,
        interlock: &Interlock,
        action: Action,
        moves: bool,
    ) {
        let authority = interlock.authority();
        let station = authority.station;
        let hand = if station == Station::Seat {
            facts.seat
        } else {
            facts.remote
        };
        let silent = before.monitor.action != Action::Cut && !hand.heard;
        let stops = !facts.found.is_empty() || silent;
        let cuts = facts.found.iter().any(|(cause, _)| cause.category() == Category::Zero);
        let neutral = world.selected == authority && hand.heard && world.no_lever_moved();
        let reset = facts.reset && !self.last_reset;
        let enable = hand.enable && !self.last_enable;

        if before.interlock.authority() != authority {
            let standing = before.monitor.action == Action::Cut && action == Action::Cut && world.at_rest;
            self.must(
                standing && world.no_lever_moved(),
                "authority moved in motion or with a lever moved",
            );
        }
        let started = self.action == Action::Drive || (enable && neutral && before.interlock.authority() == authority);
        let allowed = self.may_enable && !stops && hand.enable && world.selected == authority && started;
        self.must(action != Action::Drive || allowed, "motion that nobody permitted");
        self.must(
            action != Action::RampDown || self.action != Action::Cut,
            "power came on without driving",
        );
        self.must(!cuts || action == Action::Cut, "a cut was not taken at once");
        self.must(!moves || action != Action::Cut, "energised without a permit");
        self.must(
            !moves || world.wrong != Wrong::StageLeftOut,
            "energised by what did not go through every stage",
        );
        self.must(
            !moves || world.stop_chain == [true; 2],
            "energised with an open stop channel",
        );
        self.ramping = if action == Action::RampDown {
            self.ramping + 1
        } else {
            0
        };
        self.must(self.ramping <= BUDGET, "power was still on after the time for a stop");

        if stops {
            self.may_enable = false;
            self.recovered = None;
            self.stopped = interlock.cause().map(|(cause, _)| cause);
        } else if reset && neutral && action == Action::Cut && !self.may_enable {
            self.may_enable = true;
            self.recovered = self.stopped.take();
        }
        self.action = action;
        self.last_reset = facts.reset;
        self.last_enable = hand.enable;
    }

    fn must(&mut self, holds: bool, otherwise: &'static str) {
        if !holds {
            self.broken.get_or_insert(otherwise);
        }
    }
}

impl Model for Explored {
    type State = Walk;
    type Action = u16;

    fn init_states(&self) -> Vec<Walk> {
        vec![Walk::default()]
    }

    fn actions(&self, walk: &Walk, actions: &mut Vec<u16>) {
        // What has been broken is shown by the way there; there is no need to go on.
        if walk.monitor.broken.is_none() {
            actions.extend((0..).take(self.worlds.len()));
        }
    }

    fn next_state(&self, walk: &Walk, world: u16) -> Option<Walk> {
        Some(self.tick(walk, &self.worlds[usize::from(world)]))
    }

    fn properties(&self) -> Vec<Property<Self>> {
        fn drives(walk: &Walk, after: Cause) -> bool {
            walk.monitor.action == Action::Drive && walk.monitor.recovered == Some(after)
        }
        fn drives_from(walk: &Walk, station: Station) -> bool {
            walk.monitor.action == Action::Drive && walk.interlock.authority().station == station
        }
        vec![
            Property::always(NEVER, |_, walk: &Walk| walk.monitor.broken.is_none()),
            Property::sometimes(FROM_SEAT, |_, walk| {
                drives_from(walk, Station::Seat) && walk.monitor.recovered.is_none()
            }),
            Property::sometimes("enabled from the remote station", |_, walk| {
                drives_from(walk, Station::Remote)
            }),
            Property::sometimes(AFTER_STOP, |_, walk| drives(walk, Cause::StopButton)),
            Property::sometimes("enabled after a hand's stop", |_, walk| drives(walk, Cause::HandStop)),
            Property::sometimes("enabled after channels that differed", |_, walk| {
                drives(walk, Cause::StopDiscrepancy)
            }),
            Property::sometimes("enabled with the key at commissioning", |_, walk| {
                drives_from(walk, Station::Seat) && walk.interlock.authority().commissioning
            }),
            Property::sometimes("enabled after a channel that was stuck", |_, walk| {
                drives(walk, Cause::StopStuck)
            }),
            Property::sometimes("enabled after a stage that was left out", |_, walk| {
                drives(walk, Cause::StageOrder)
            }),
            Property::sometimes("enabled after a lost link", |_, walk| drives(walk, Cause::LinkLost)),
            Property::sometimes("enabled after a broken sensor", |_, walk| {
                drives(walk, Cause::SensorLow)
            }),
            Property::sometimes("enabled after motion not asked for", |_, walk| {
                drives(walk, Cause::MotionUnasked)
            }),
        ]
    }
}

/// The golden count says when the machinery explored has changed: look at why, then write the new one.
#[test]
fn every_state_that_can_be_reached_keeps_what_must_hold() {
    let checker = Explored::with(next).checker().threads(2).spawn_bfs().join();
    println!(
        "{} states, {} transitions, {} ticks deep",
        checker.unique_state_count(),
        checker.state_count(),
        checker.max_depth()
    );
    checker.assert_properties();
    assert_eq!(checker.unique_state_count(), 56_465);
}

/// The table with one cell written wrongly.
macro_rules! mistake {
    ($what:literal, $cells:pat => $wrong:expr) => {
        (
            $what,
            (|state, trigger| {
                if let $cells = (state, trigger) {
                    $wrong
                } else {
                    next(state, trigger)
                }
            }) as Table,
        )
    };
}

/// Ten mistakes that somebody could make in the table. Each must be noticed.
#[test]
fn a_mistake_in_the_table_is_noticed() {
    use Action::{Cut, Drive, RampDown};
    use State::{Enabled, Fault, Ready, SelfTest, Standby, Stopped, Stopping};
    use Trigger::{
        CutFault, CutStop, LeversNeutral, RampFault, RampStop, Ramped, RampedLatched, Released, Reset, TestsPassed,
    };
    let mistakes: [(&str, Table); 10] = [
        mistake!("reset drives", (Stopped | Fault, Reset) => (Enabled, Drive)),
        mistake!("reset does nothing", (Stopped | Fault, Reset) => (Stopped, Cut)),
        mistake!("a cut only ramps", (Enabled, CutStop | CutFault) => (Stopping, RampDown)),
        mistake!("a fault is driven over", (Enabled, RampFault) => (Enabled, Drive)),
        mistake!("a lost link is driven over", (Enabled, RampStop) => (Enabled, Drive)),
        mistake!("letting go does not stop", (Enabled, Released) => (Enabled, Drive)),
        mistake!("a stop can be driven out of", (Stopping, LeversNeutral) => (Enabled, Drive)),
        mistake!("a stop never ends", (Stopping, Ramped | RampedLatched) => (Stopping, RampDown)),
        mistake!("neutral levers drive", (Standby | Ready, LeversNeutral) => (Enabled, Drive)),
        mistake!("the self-test never ends", (SelfTest, TestsPassed) => (SelfTest, Cut)),
    ];
    for (what, table) in mistakes {
        let mut explored = Explored::with(table);
        // Enough of the world to do all ten, and little enough to be done soon.
        let few = |world: &World| world.remote == Sent::Nothing && world.stop_chain != [true, false];
        explored.worlds = Arc::new(explored.worlds.iter().copied().filter(few).collect());
        let found = explored.checker().threads(2).spawn_bfs().join();
        let missing = |property: &&'static str| found.discovery(property).is_none();
        let noticed = found.discovery(NEVER).is_some() || [FROM_SEAT, AFTER_STOP].iter().any(missing);
        assert!(noticed, "{what}: not noticed in {} states", found.unique_state_count());
    }
}
