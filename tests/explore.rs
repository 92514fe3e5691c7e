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
const AFTER_RESET: &str = "enabled after a reset";

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
    /// All that it can do. Causes of one kind (stop or fault, to cut or to ramp down for) are alike to every line of code: of each kind there is
    /// one at least. Which one of the stop channels is open makes no difference to any line of code, nor which hand's stop
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

    /// The enabling switch of a station is held that is neither in charge nor to be: no line of code looks at it.
    fn idle_hand_enables(&self, in_charge: Station) -> bool {
        [Station::Seat, Station::Remote]
            .into_iter()
            .zip(self.enable)
            .any(|(station, held)| held && station != in_charge && station != self.selected.station)
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
    /// A stop of this run has been reset, the last that there was.
    was_reset: bool,
    /// What this tick's reset cleared.
    cleared: Option<Cause>,
    /// What must never be, and was.
    broken: Option<&'static str>,
}

impl Default for Monitor {
    fn default() -> Self {
        Self {
            action: Action::Cut,
            // Nothing has stopped it yet, before a run and during it.
            may_enable: true,
            last_reset: false,
            last_enable: false,
            ramping: 0,
            was_reset: false,
            cleared: None,
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

        self.cleared = None;
        if stops {
            self.may_enable = false;
            self.was_reset = false;
        } else if reset && neutral && self.action == Action::Cut && !self.may_enable {
            self.may_enable = true;
            self.cleared = before.interlock.cause().map(|(cause, _)| cause);
            self.was_reset = self.cleared.is_some();
            self.must(interlock.cause().is_none(), "something is left of what was reset");
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
        // Started for the first time, and after a run of which nothing is known.
        let mut restarted = Walk {
            interlock: Interlock::after(None),
            ..Walk::default()
        };
        restarted.monitor.may_enable = false;
        vec![Walk::default(), restarted]
    }

    fn actions(&self, walk: &Walk, actions: &mut Vec<u16>) {
        // What has been broken is shown by the way there; there is no need to go on.
        if walk.monitor.broken.is_none() {
            let in_charge = walk.interlock.authority().station;
            let told = |world: &World| !world.idle_hand_enables(in_charge);
            actions.extend(
                (0..)
                    .zip(self.worlds.iter())
                    .filter(|(_, world)| told(world))
                    .map(|(number, _)| number),
            );
        }
    }

    fn next_state(&self, walk: &Walk, world: u16) -> Option<Walk> {
        Some(self.tick(walk, &self.worlds[usize::from(world)]))
    }

    fn properties(&self) -> Vec<Property<Self>> {
        fn drives(walk: &Walk, station: Station) -> bool {
            walk.monitor.action == Action::Drive && walk.interlock.authority().station == station
        }
        // What is reset leaves nothing behind, whatever it was: from then on it is the same to be enabled.
        macro_rules! recovers {
            ($($cause:ident),*) => {[$(Property::sometimes(
                concat!("reset after ", stringify!($cause)),
                |_, walk: &Walk| walk.monitor.cleared == Some(Cause::$cause),
            )),*]};
        }
        let mut properties = vec![
            Property::always(NEVER, |_, walk: &Walk| walk.monitor.broken.is_none()),
            Property::sometimes(FROM_SEAT, |_, walk| {
                drives(walk, Station::Seat) && !walk.monitor.was_reset
            }),
            Property::sometimes(AFTER_RESET, |_, walk| {
                drives(walk, Station::Seat) && walk.monitor.was_reset
            }),
            Property::sometimes("enabled from the remote station", |_, walk| {
                drives(walk, Station::Remote)
            }),
            Property::sometimes("enabled with the key at commissioning", |_, walk| {
                drives(walk, Station::Seat) && walk.interlock.authority().commissioning
            }),
        ];
        properties.extend(recovers!(
            StopButton,
            HandStop,
            StopDiscrepancy,
            StopStuck,
            StageOrder,
            LinkLost,
            SensorLow
        ));
        properties
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
    assert_eq!(checker.unique_state_count(), 58_394);
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
        let noticed = found.discovery(NEVER).is_some() || [FROM_SEAT, AFTER_RESET].iter().any(missing);
        assert!(noticed, "{what}: not noticed in {} states", found.unique_state_count());
    }
}
