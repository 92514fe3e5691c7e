//! `[[fault]]` rows of scenario files: when, for how long, which kind, and what that kind needs.

use bellcrank_core::inputs::Station;
use bellcrank_machine::description::{Axis, Signal};
use bellcrank_machine::document::Table;

use super::file::{LENGTH_MAX, OIL_C, STATIONS, Who};
use super::{Fault, FaultKind, Relay};

impl Who<'_> {
    /// `[[fault]]`: a time, a kind, and what that kind needs.
    pub(super) fn fault(&self, t: &Table, length: f64) -> Option<Fault> {
        let at = t.number("at_s", 0.0..=length);
        let lasts = t.optional("lasts_s").map(|key| t.number(key, 0.001..=LENGTH_MAX));
        let Some(make) = t.choice("kind", &KINDS) else {
            t.pass_over_rest();
            return None;
        };
        let kind = make(self, t);
        if lasts.is_some() && matches!(kind, FaultKind::HoseBurst { .. }) {
            t.wrong("lasts_s", "no lasts_s: a burst hose stays burst");
        }
        Some(Fault { at, lasts, kind })
    }

    /// An axis with a second sensor.
    fn twin_axis(&self, t: &Table, key: &'static str) -> usize {
        self.axis_with(t, key, "a twin", |axis| axis.twin.is_some())
    }

    /// An axis with a sensor that tells a share of what feeds it.
    fn fed_axis(&self, t: &Table, key: &'static str) -> usize {
        self.axis_with(t, key, "a ratiometric sensor", |axis| {
            let twin = axis.twin.as_ref().map(|twin| &twin.sensor);
            let mut sensors = std::iter::once(&axis.sensor).chain(twin);
            sensors.any(|sensor| matches!(sensor.signal, Signal::Ratiometric { .. }))
        })
    }

    fn axis_with(&self, t: &Table, key: &'static str, what: &str, has: impl Fn(&Axis) -> bool) -> usize {
        let index = self.axis(t, key);
        if t.clean() && self.machine.axes.get(index).is_some_and(|axis| !has(axis)) {
            let names = self.machine.axes.iter().filter(|axis| has(axis));
            let names: Vec<_> = names.map(|axis| format!("{:?}", axis.name)).collect();
            let wanted = if names.is_empty() {
                format!("another fault: no axis of this machine has {what}")
            } else {
                format!("one with {what}: {}", names.join(", "))
            };
            t.wrong(key, wanted);
        }
        index
    }
}

type Make = fn(&Who, &Table) -> FaultKind;

const KINDS: [(&str, Make); 56] = [
    ("sensor_open", |w, t| FaultKind::SensorOpen {
        axis: w.axis(t, "axis"),
    }),
    ("sensor_short", |w, t| FaultKind::SensorShort {
        axis: w.axis(t, "axis"),
    }),
    ("sensor_stuck", |w, t| FaultKind::SensorStuck {
        axis: w.axis(t, "axis"),
    }),
    ("sensor_jump", |w, t| FaultKind::SensorJump {
        axis: w.axis(t, "axis"),
        by: t.number("by_percent", -100.0..=100.0),
    }),
    ("sensor_slip", |w, t| FaultKind::SensorSlip {
        axis: w.axis(t, "axis"),
        rate: t.number("drift_percent_s", -1000.0..=1000.0),
    }),
    ("sensor_noise", |w, t| FaultKind::SensorNoise {
        axis: w.axis(t, "axis"),
        rms: t.number("noise_mv", 0.0..=10_000.0),
    }),
    ("sensor_stale", |w, t| FaultKind::SensorStale {
        axis: w.axis(t, "axis"),
    }),
    ("excitation_sag", |w, t| FaultKind::ExcitationSag {
        axis: w.fed_axis(t, "axis"),
        to: t.number("to_v", 0.0..=100.0),
    }),
    ("twin_drift", |w, t| FaultKind::TwinDrift {
        axis: w.twin_axis(t, "axis"),
        rate: t.number("drift_percent_s", -100.0..=100.0),
    }),
    ("twin_open", |w, t| FaultKind::TwinOpen {
        axis: w.twin_axis(t, "axis"),
    }),
    ("sensors_swapped", |w, t| {
        let (axis, with) = (w.axis(t, "axis"), w.axis(t, "with"));
        if t.clean() && axis == with {
            t.wrong("with", "another axis");
        }
        FaultKind::SensorsSwapped { axis, with }
    }),
    ("sensor_reversed", |w, t| FaultKind::SensorReversed {
        axis: w.axis(t, "axis"),
    }),
    ("valve_stuck", |w, t| FaultKind::ValveStuck {
        axis: w.axis(t, "axis"),
    }),
    ("valve_stuck_open", |w, t| FaultKind::ValveStuckOpen {
        axis: w.axis(t, "axis"),
        opening: t.number("opening", -1.0..=1.0),
    }),
    ("valve_dead", |w, t| FaultKind::ValveDead {
        axis: w.axis(t, "axis"),
    }),
    ("valve_reversed", |w, t| FaultKind::ValveReversed {
        axis: w.axis(t, "axis"),
    }),
    ("valve_slow", |w, t| FaultKind::ValveSlow {
        axis: w.axis(t, "axis"),
        share: t.number("share", 0.01..=1.0),
    }),
    ("overlap_grown", |w, t| FaultKind::OverlapGrown {
        axis: w.axis(t, "axis"),
        by: t.number("by_percent", 0.0..=90.0),
    }),
    ("valve_leaks", |w, t| FaultKind::ValveLeaks {
        axis: w.axis(t, "axis"),
        leak: t.number("leak_cm3_s_bar", 0.0..=100.0),
    }),
    ("link_lost", |_, t| FaultKind::LinkLost { station: station(t) }),
    ("link_poor", |_, t| FaultKind::LinkPoor {
        station: station(t),
        share: t.number("share", 0.0..=1.0),
    }),
    ("link_delayed", |_, t| FaultKind::LinkDelayed {
        station: station(t),
        by: t.number("by_ms", 0.0..=60_000.0),
    }),
    ("link_repeats", |_, t| FaultKind::LinkRepeats { station: station(t) }),
    ("link_reorders", |_, t| FaultKind::LinkReorders {
        station: station(t),
        among: t.whole("among", 2..=100),
    }),
    ("link_corrupts", |_, t| FaultKind::LinkCorrupts {
        station: station(t),
        share: t.number("share", 0.0..=1.0),
    }),
    ("link_forged", |_, t| FaultKind::LinkForged { station: station(t) }),
    ("link_jammed", |_, t| FaultKind::LinkJammed { station: station(t) }),
    ("link_half_open", |_, t| FaultKind::LinkHalfOpen { station: station(t) }),
    ("stop_button", |_, _| FaultKind::StopButton),
    ("hand_stop", |_, t| FaultKind::HandStop { station: station(t) }),
    ("stop_channel_open", |_, t| FaultKind::StopChannelOpen {
        channel: t.whole("channel", 1..=2) - 1,
    }),
    ("stop_channel_stuck", |_, t| FaultKind::StopChannelStuck {
        channel: t.whole("channel", 1..=2) - 1,
    }),
    ("stop_channel_bounces", |_, t| {
        let (channel, open) = (t.whole("channel", 1..=2) - 1, t.number("open_ms", 0.1..=1000.0));
        let every = t.number("every_ms", 1.0..=10_000.0);
        if t.clean() && every <= open {
            t.wrong("every_ms", format!("more than open_ms ({})", 1e3 * open));
        }
        FaultKind::StopChannelBounces { channel, open, every }
    }),
    ("relay_welded", |_, t| FaultKind::RelayWelded { relay: relay(t) }),
    ("relay_dead", |_, t| FaultKind::RelayDead { relay: relay(t) }),
    ("supply_sag", |_, t| FaultKind::SupplySag {
        to: t.number("to_v", 0.0..=60.0),
    }),
    ("brown_out", |_, t| FaultKind::BrownOut {
        to: t.number("to_v", 0.0..=20.0),
    }),
    ("tick_early", |_, _| FaultKind::TickEarly),
    ("loop_hangs", |_, _| FaultKind::LoopHangs),
    ("restart", |_, _| FaultKind::Restart),
    ("record_flipped", |_, t| FaultKind::RecordFlipped {
        bit: t.whole("bit", 0..=63),
    }),
    ("image_damaged", |_, t| FaultKind::ImageDamaged {
        place: t.number("place_percent", 0.0..=100.0),
    }),
    ("wrong_lever", |w, t| FaultKind::WrongLever { act: w.act(t) }),
    ("levers_reversed", |_, _| FaultKind::LeversReversed),
    ("levers_stuck", |_, _| FaultKind::LeversStuck),
    ("enable_tied", |_, _| FaultKind::EnableTied),
    ("engine_stall", |_, _| FaultKind::EngineStall),
    ("relief_stuck_open", |_, t| FaultKind::ReliefStuckOpen {
        share: t.number("share", 0.0..=10.0),
    }),
    ("dump_stuck", |_, _| FaultKind::DumpStuck),
    ("air_in_oil", |_, t| FaultKind::AirInOil {
        share: t.number("air_percent", 0.0..=20.0),
    }),
    ("holding_stuck_open", |w, t| FaultKind::HoldingStuckOpen {
        axis: w.axis_with(t, "axis", "a load-holding valve", |axis| axis.holding.is_some()),
    }),
    ("hose_burst", |w, t| FaultKind::HoseBurst {
        axis: w.axis(t, "axis"),
        side: t.choice("side", &[("a", 0), ("b", 1)]).unwrap_or_default(),
        hole: t.number("hole_mm", 0.1..=50.0),
    }),
    ("oil_hot", |_, t| FaultKind::OilHot {
        to: t.number("to_c", OIL_C),
    }),
    ("pump_worn", |_, t| FaultKind::PumpWorn {
        share: t.number("share", 0.0..=1.0),
    }),
    ("piston_leak", |w, t| FaultKind::PistonLeak {
        axis: w.axis(t, "axis"),
        leak: t.number("leak_cm3_s_bar", 0.0..=100.0),
    }),
    ("spool_weak", |w, t| FaultKind::SpoolWeak {
        axis: w.axis(t, "axis"),
        share: t.number("share", 0.0..=1.0),
    }),
];

fn relay(t: &Table) -> Relay {
    let [valve_power, dump, engine] = Relay::ALL;
    let names = [("valve_power", valve_power), ("dump", dump), ("engine", engine)];
    t.choice("relay", &names).unwrap_or(valve_power)
}

fn station(t: &Table) -> Station {
    t.choice("station", &STATIONS).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::path::Path;

    use super::*;
    use crate::prove::catalogue::{CATALOGUE, Place};

    /// What a campaign puts in can be put into a scenario file; and of what scenario files know, a campaign has all but two: one that does nothing
    /// by itself, and hands that do one thing in place of another.
    #[test]
    fn the_catalogue_and_the_rows_of_scenario_files_are_about_the_same() {
        let machine = bellcrank_machine::find("drystone setter", Path::new("")).unwrap();
        let mut put_in = BTreeSet::new();
        for entry in CATALOGUE {
            for amount in [0.0, 0.3, 1.0] {
                let fits = |axis: &usize| entry.on.is_none_or(|on| on(&machine.axes[*axis]));
                let place = Place {
                    machine: &machine,
                    axis: (0..machine.axes.len()).find(fits).unwrap(),
                    amount,
                    station: Station::Seat,
                };
                put_in.insert((entry.make)(&place).0.name());
            }
        }
        let known: BTreeSet<&str> = KINDS.iter().map(|(name, _)| *name).collect();
        assert_eq!(known.len(), KINDS.len());
        let left: Vec<_> = known.symmetric_difference(&put_in).copied().collect();
        assert_eq!(left, ["stop_channel_stuck", "wrong_lever"]);
    }
}
