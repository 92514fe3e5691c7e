//! The interlock explored to the end: every state that switches, hands and faults can bring it to, in every order.
//!
//! What is explored is the code that runs: the debounced and two-channel switches of `sense`, the interlock of `supervise`, and the gate.
//! In each tick the world does anything it likes. Beside it runs a monitor that knows nothing of the interlock's insides; it says
//! what must never be, and what must be possible.

use std::sync::Arc;

use bellcrank_core::Inputs;
use bellcrank_core::cause::{Category, Cause};
use bellcrank_core::gate::Gate;
use bellcrank_core::inputs::Station;
use bellcrank_core::machine::{Axis, AxisId, Machine, PerAxis, Timing};
use bellcrank_core::outputs::ValveSignal;
use bellcrank_core::sense::Switches;
use bellcrank_core::supervise::{Action, Facts, Hand, Interlock, Permit, SELF_TEST, State, Table, Trigger, next};
use bellcrank_core::units::{Duration, Duty};
use stateright::{Checker, Model, Property};

use crate::check::{Bench, parts};

/// One tick, half the self-test: two ticks of it are long enough to tell a count from an edge, and few enough to walk through.
const TICK: Duration = Duration::from_ticks(SELF_TEST.as_ticks() / 2);
/// Ticks for which a switch must hold its level, for which the stop channels may differ, and in which a stop must be through.
const DEBOUNCE: u32 = 1;
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
    /// Its stop button is pressed.
    Stop,
    /// A lever is moved.
    Moved,
    /// Every lever is at neutral.
    Neutral,
}

/// What the world does in one tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct World {
    stop_chain: [bool; 2],
    seat: Sent,
    remote: Sent,
    enable: [bool; 2],
    selector: Station,
    reset: bool,
    /// What is wrong with an axis: nothing, something to ramp down for, something to cut for.
    axis: Option<Cause>,
    at_rest: bool,
}

impl World {
    /// All that it can do. Which one of the stop channels is open makes no difference to any line of code.
    fn all() -> Vec<Self> {
        const SENT: [Sent; 4] = [Sent::Nothing, Sent::Stop, Sent::Moved, Sent::Neutral];
        const CHAINS: [[bool; 2]; 3] = [[true, true], [true, false], [false, false]];
        const BOTH: [bool; 2] = [false, true];
        let mut all = Vec::new();
        for stop_chain in CHAINS {
            for (seat, remote) in SENT.into_iter().flat_map(|seat| SENT.map(|remote| (seat, remote))) {
                for enable in BOTH.into_iter().flat_map(|seat| BOTH.map(|remote| [seat, remote])) {
                    for selector in [Station::Seat, Station::Remote] {
                        for reset in BOTH {
                            for axis in [None, Some(Cause::SensorLow), Some(Cause::MotionUnasked)] {
                                for at_rest in BOTH {
                                    all.push(Self {
                                        stop_chain,
                                        seat,
                                        remote,
                                        enable,
                                        selector,
                                        reset,
                                        axis,
                                        at_rest,
                                    });
                                }
                            }
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
    /// Why it has stopped, until it is reset: the first cause, or channels that differed, which always look like a stop button at first.
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
    timing: Timing,
    inputs: Inputs,
    worlds: Arc<Vec<World>>,
}

impl Explored {
    fn with(table: Table) -> Self {
        let mut parts = parts();
        let ticks = |count: u32| Duration::from_ticks(count * TICK.as_ticks());
        parts.timing.tick = TICK;
        parts.timing.tick_late = ticks(2);
        parts.timing.debounce = ticks(DEBOUNCE);
        parts.timing.stop_discrepancy = ticks(DISCREPANCY);
        parts.timing.stop_budget = ticks(BUDGET);
        let machine = Machine::new(parts).unwrap();
        let inputs = Bench::new(&machine).inputs;
        Self {
            table,
            timing: *machine.timing(),
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
        let levels = after.switches.step(&inputs, &self.timing, TICK);

        let heard_stop = [world.seat, world.remote].contains(&Sent::Stop);
        let found = [
            (levels.stop_demanded, (Cause::StopButton, None)),
            (levels.stop_discrepancy, (Cause::StopDiscrepancy, None)),
            (heard_stop, (Cause::HandStop, None)),
        ];
        let found = found.into_iter().filter(|(holds, _)| *holds).map(|(_, blame)| blame);
        let hand = |station| Hand {
            heard: world.sent(station) != Sent::Nothing,
            neutral: world.sent(station) != Sent::Moved,
            enable: levels.enable(station),
        };
        let facts = Facts {
            found: found.chain(world.axis.map(|cause| (cause, AxisId::new(0)))).collect(),
            selector: Some(world.selector),
            seat: hand(Station::Seat),
            remote: hand(Station::Remote),
            reset: levels.reset,
            well: world.axis.is_none(),
            at_rest: world.at_rest,
        };
        let (state, action) = after
            .interlock
            .step(self.table, &facts, TICK, self.timing.stop_budget, |_, _| ());

        let permit = Permit {
            state,
            action,
            station: after.interlock.station(),
            limits: self.machine.seat(),
            cause: after.interlock.cause(),
        };
        let hostile = PerAxis::all(ValveSignal::Duty(Duty::new(0.9).unwrap()));
        let out = Gate::default().step(&self.machine, &inputs, &permit, &hostile);
        let stays = |(id, axis): (AxisId, &Axis)| out.valves.get(id) == ValveSignal::stay(&axis.channel);
        let moves = out.valve_power || out.dump_closed || !self.machine.axes().all(stays);
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
        let station = interlock.station();
        let hand = if station == Station::Seat {
            facts.seat
        } else {
            facts.remote
        };
        let silent = before.monitor.action != Action::Cut && !hand.heard;
        let stops = !facts.found.is_empty() || silent;
        let cuts = facts.found.iter().any(|(cause, _)| cause.category() == Category::Zero);
        let neutral = world.selector == station && hand.heard && world.no_lever_moved();
        let reset = facts.reset && !self.last_reset;
        let enable = hand.enable && !self.last_enable;

        if before.interlock.station() != station {
            let standing = before.monitor.action == Action::Cut && action == Action::Cut && world.at_rest;
            self.must(
                standing && world.no_lever_moved(),
                "authority moved in motion or with a lever moved",
            );
        }
        let started = self.action == Action::Drive || (enable && neutral && before.interlock.station() == station);
        let allowed = self.may_enable && !stops && hand.enable && world.selector == station && started;
        self.must(action != Action::Drive || allowed, "motion that nobody permitted");
        self.must(
            action != Action::RampDown || self.action != Action::Cut,
            "power came on without driving",
        );
        self.must(!cuts || action == Action::Cut, "a cut was not taken at once");
        self.must(!moves || action != Action::Cut, "energised without a permit");
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
            let differ = facts.found.contains(&(Cause::StopDiscrepancy, None));
            let first = interlock.cause().map(|(cause, _)| cause);
            self.stopped = if differ {
                Some(Cause::StopDiscrepancy)
            } else {
                self.stopped.or(first)
            };
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
            walk.monitor.action == Action::Drive && walk.interlock.station() == station
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
