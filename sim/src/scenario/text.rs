//! A scenario as the text of a scenario file: what reads it makes the same scenario of it.
//!
//! Every number is written to its last digit, under a key that ends in its unit, by the table of units that it is read by.

use std::fmt::Write as _;

use bellcrank_core::inputs::{Frame, Mode, Station};
use bellcrank_machine::document;

use super::acts::{FRAMES, MODES};
use super::file::STATIONS;
use super::{Act, Expect, Fault, FaultKind, Load, Relay, Scenario, Target};

/// A scenario file. `machine` is where its machine is found from there.
pub fn toml(scenario: &Scenario, machine: &str) -> String {
    let mut file = File {
        scenario,
        text: String::new(),
    };
    file.top(machine);
    file.start();
    for load in &scenario.payloads {
        file.payload(load);
    }
    for hand in &scenario.hands {
        file.head("[[hand]]");
        file.number("at_s", hand.at);
        file.act(&hand.act);
    }
    for fault in &scenario.faults {
        file.fault(fault);
    }
    if scenario.expect != Expect::default() {
        file.expect(&scenario.expect);
    }
    file.text
}

struct File<'s> {
    scenario: &'s Scenario,
    text: String,
}

impl File<'_> {
    fn top(&mut self, machine: &str) {
        let scenario = self.scenario;
        self.words("name", &scenario.name);
        self.words("about", &scenario.about);
        self.words("machine", machine);
        self.number("length_s", scenario.length);
        self.station("station", scenario.station);
        self.mode(scenario.mode);
        if scenario.slope != [0.0; 2] {
            self.numbers("slope_deg", &scenario.slope);
        }
        if let Some(oil) = scenario.oil {
            self.number("oil_c", oil);
        }
        if let Some(strategy) = scenario.hostile {
            self.words("hostile", strategy.name());
        }
    }

    fn start(&mut self) {
        let scenario = self.scenario;
        for arm in &scenario.machine.arms {
            self.head("[[start]]");
            self.words("arm", &arm.name);
            let angles: Vec<f64> = arm.axes.iter().map(|&axis| scenario.start[axis]).collect();
            self.numbers("angles_deg", &angles);
            if let Some(grip) = arm.grip {
                self.number("grip_deg", scenario.start[grip]);
            }
        }
    }

    fn payload(&mut self, load: &Load) {
        self.head("[[payload]]");
        self.arm(load.arm);
        self.number("mass_kg", load.mass);
        if load.from > 0.0 {
            self.number("from_s", load.from);
        }
        if let Some(until) = load.until {
            self.number("until_s", until);
        }
    }

    fn act(&mut self, act: &Act) {
        match act {
            Act::Enable(held) => self.line("enable", held),
            Act::Reset(held) => self.line("reset", held),
            Act::Neutral => self.line("neutral", true),
            Act::Slow(on) => self.line("slow", on),
            Act::Levers(shares) => {
                let last = shares.iter().rposition(|share| *share != 0.0).unwrap_or(0);
                self.numbers("levers", &shares[..=last]);
            }
            Act::Mode(mode) => self.mode(*mode),
            Act::Frame(frame) => self.frame(*frame),
            Act::Tip { arm, velocity, turning } => self.within("tip", |file| {
                file.arm(*arm);
                file.numbers("velocity_mm_s", velocity);
                for (key, rate) in ["pitch_deg_s", "roll_deg_s", "yaw_deg_s"].into_iter().zip(turning) {
                    if *rate != 0.0 {
                        file.number(key, *rate);
                    }
                }
            }),
            Act::GoTo { arm, to, frame, speed } => self.within("go_to", |file| {
                file.arm(*arm);
                match to {
                    Target::At(place) => file.numbers("at_mm", place),
                    Target::By(way) => file.numbers("by_mm", way),
                }
                file.frame(*frame);
                file.number("speed_mm_s", *speed);
            }),
            Act::Circle { arm, radius, speed } => self.within("circle", |file| {
                file.arm(*arm);
                file.number("radius_mm", *radius);
                file.number("speed_mm_s", *speed);
            }),
            Act::Lever { axis, share } => self.within("lever", |file| {
                file.axis("axis", *axis);
                file.number("share", *share);
            }),
        }
    }

    fn fault(&mut self, fault: &Fault) {
        self.head("[[fault]]");
        self.number("at_s", fault.at);
        if let Some(lasts) = fault.lasts {
            self.number("lasts_s", lasts);
        }
        self.words("kind", fault.kind.name());
        self.kind(&fault.kind);
    }

    /// What a kind of fault needs.
    fn kind(&mut self, kind: &FaultKind) {
        use FaultKind as K;
        if let Some(station) = kind.station() {
            self.station("station", station);
        }
        match *kind {
            K::SensorOpen { axis }
            | K::SensorShort { axis }
            | K::SensorStuck { axis }
            | K::SensorStale { axis }
            | K::SensorReversed { axis }
            | K::TwinOpen { axis }
            | K::ValveStuck { axis }
            | K::ValveDead { axis }
            | K::ValveReversed { axis }
            | K::HoldingStuckOpen { axis } => self.axis("axis", axis),
            K::SensorsSwapped { axis, with } => {
                self.axis("axis", axis);
                self.axis("with", with);
            }
            K::SensorJump { axis, by } | K::OverlapGrown { axis, by } => self.of_axis(axis, "by_percent", by),
            K::SensorSlip { axis, rate } | K::TwinDrift { axis, rate } => self.of_axis(axis, "drift_percent_s", rate),
            K::SensorNoise { axis, rms } => self.of_axis(axis, "noise_mv", rms),
            K::ExcitationSag { axis, to } => self.of_axis(axis, "to_v", to),
            K::ValveStuckOpen { axis, opening } => self.of_axis(axis, "opening", opening),
            K::ValveSlow { axis, share } | K::SpoolWeak { axis, share } => self.of_axis(axis, "share", share),
            K::ValveLeaks { axis, leak } | K::PistonLeak { axis, leak } => self.of_axis(axis, "leak_cm3_s_bar", leak),
            K::HoseBurst { axis, side, hole } => {
                self.of_axis(axis, "hole_mm", hole);
                self.words("side", if side == 0 { "a" } else { "b" });
            }
            K::LinkPoor { share, .. }
            | K::LinkCorrupts { share, .. }
            | K::PumpWorn { share }
            | K::ReliefStuckOpen { share } => self.number("share", share),
            K::LinkDelayed { by, .. } => self.number("by_ms", by),
            K::LinkReorders { among, .. } => self.line("among", among),
            K::StopChannelOpen { channel } | K::StopChannelStuck { channel } => self.line("channel", channel + 1),
            K::StopChannelBounces { channel, open, every } => {
                self.line("channel", channel + 1);
                self.number("open_ms", open);
                self.number("every_ms", every);
            }
            K::RelayWelded { relay } | K::RelayDead { relay } => {
                let name = match relay {
                    Relay::ValvePower => "valve_power",
                    Relay::Dump => "dump",
                    Relay::Engine => "engine",
                };
                self.words("relay", name);
            }
            K::SupplySag { to } | K::BrownOut { to } => self.number("to_v", to),
            K::RecordFlipped { bit } => self.line("bit", bit),
            K::ImageDamaged { place } => self.number("place_percent", place),
            K::WrongLever { ref act } => self.act(act),
            K::AirInOil { share } => self.number("air_percent", share),
            K::OilHot { to } => self.number("to_c", to),
            K::LinkLost { .. }
            | K::LinkRepeats { .. }
            | K::LinkForged { .. }
            | K::LinkJammed { .. }
            | K::LinkHalfOpen { .. }
            | K::StopButton
            | K::HandStop { .. }
            | K::TickEarly
            | K::LoopHangs
            | K::Restart
            | K::LeversReversed
            | K::LeversStuck
            | K::EnableTied
            | K::EngineStall
            | K::DumpStuck => {}
        }
    }

    /// An axis, and a number about it.
    fn of_axis(&mut self, axis: usize, key: &str, number: f64) {
        self.axis("axis", axis);
        self.number(key, number);
    }

    fn expect(&mut self, expect: &Expect) {
        self.head("[expect]");
        for (key, name) in [("cause", &expect.cause), ("refused", &expect.refused)] {
            if let Some(name) = name {
                self.words(key, name);
            }
        }
        if let Some(axis) = expect.axis {
            self.axis("axis", axis);
        }
        let numbers = [
            ("noticed_ms", expect.noticed),
            ("stopped_ms", expect.stopped),
            ("travel_mm", expect.travel),
            ("clearance_mm", expect.clearance),
            ("off_line_mm", expect.off_line),
            ("along_line_mm", expect.along_line),
            ("apart_mm", expect.apart),
        ];
        for (key, number) in numbers {
            if let Some(number) = number {
                self.number(key, number);
            }
        }
        if let Some(state) = expect.state {
            self.words("state", &state.to_string());
        }
    }

    // ---- the pieces

    fn head(&mut self, head: &str) {
        let _ = write!(self.text, "\n{head}\n");
    }

    fn line(&mut self, key: &str, value: impl std::fmt::Display) {
        let _ = writeln!(self.text, "{key} = {value}");
    }

    /// An inline table, made of the lines that `write` writes.
    fn within(&mut self, key: &str, write: impl FnOnce(&mut Self)) {
        let before = std::mem::take(&mut self.text);
        write(self);
        let inner: Vec<&str> = self.text.lines().collect();
        self.text = format!("{before}{key} = {{ {} }}\n", inner.join(", "));
    }

    fn words(&mut self, key: &str, words: &str) {
        let escaped: String = words
            .chars()
            .map(|c| match c {
                '"' | '\\' => format!("\\{c}"),
                c if c.is_control() => format!("\\u{:04x}", u32::from(c)),
                c => c.to_string(),
            })
            .collect();
        self.line(key, format!("\"{escaped}\""));
    }

    /// A number in SI.
    fn number(&mut self, key: &str, number: f64) {
        self.line(key, in_unit(key, number));
    }

    fn numbers(&mut self, key: &str, numbers: &[f64]) {
        let numbers: Vec<String> = numbers.iter().map(|number| in_unit(key, *number)).collect();
        self.line(key, format!("[{}]", numbers.join(", ")));
    }

    fn axis(&mut self, key: &str, axis: usize) {
        self.words(key, &self.scenario.machine.axes[axis].name);
    }

    fn arm(&mut self, arm: usize) {
        self.words("arm", &self.scenario.machine.arms[arm].name);
    }

    fn mode(&mut self, mode: Mode) {
        let found = MODES.iter().find(|(_, known)| *known == mode);
        self.words("mode", found.map_or("joint", |(name, _)| name));
    }

    fn frame(&mut self, frame: Frame) {
        let found = FRAMES.iter().find(|(_, known)| *known == frame);
        self.words("frame", found.map_or("machine", |(name, _)| name));
    }

    fn station(&mut self, key: &str, station: Station) {
        let found = STATIONS.iter().find(|(_, known)| *known == station);
        self.words(key, found.map_or("seat", |(name, _)| name));
    }
}

/// A number in the unit of its key: the shortest text that gives its very bits back, which there is for every number that came from a file. For
/// another one dividing and multiplying again rounds; where neither the quotient nor a neighbour gives it back, the last digit is lost.
fn in_unit(key: &str, number: f64) -> String {
    let unit = document::unit(key);
    let divided = number / unit;
    let rounded = (3..=15).filter_map(|digits: usize| format!("{divided:.digits$e}").parse().ok());
    let mut tried = rounded.chain([divided, divided.next_up(), divided.next_down()]);
    let exact = tried.find(|told| told * unit == number);
    // With a point, for TOML: what is whole is still no whole number.
    format!("{:?}", exact.unwrap_or(divided))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::prove::catalogue::CATALOGUE;
    use crate::prove::suite;
    use crate::scenario::{BUILTIN, parse};

    /// What a scenario says, number by number and word by word, but for the last digits of numbers and for where it came from.
    fn words(scenario: &Scenario) -> Vec<String> {
        let told = Scenario {
            source: String::new(),
            machine_file: String::new(),
            ..scenario.clone()
        };
        let rounded = |word: &str| {
            word.parse()
                .map_or(word.to_owned(), |number: f64| format!("{number:.9e}"))
        };
        let told = format!("{told:?}");
        told.split([' ', ',', '[', ']']).map(rounded).collect()
    }

    #[track_caller]
    fn assert_same(one: &Scenario, two: &Scenario, text: &str) {
        let (one, two) = (words(one), words(two));
        assert_eq!(one.len(), two.len(), "{text}");
        for (one, two) in one.iter().zip(&two) {
            assert_eq!(one, two, "{text}");
        }
    }

    #[test]
    fn every_built_in_scenario_is_read_back_as_it_was() {
        for (name, text) in BUILTIN {
            let scenario = parse(name, text, Path::new("")).unwrap();
            let written = toml(&scenario, &scenario.machine_file);
            let again = parse(name, &written, Path::new("")).unwrap_or_else(|error| panic!("{error}\n{written}"));
            assert_same(&scenario, &again, &written);
        }
    }

    #[test]
    fn so_is_every_entry_of_the_catalogue_in_any_hands() {
        let suite = suite::read("shift").unwrap();
        let mut seen = std::collections::BTreeSet::new();
        let mut tried = std::collections::HashSet::new();
        for number in 0..suite.runs() {
            let run = suite.run(number);
            // Each entry, and each pair of them, once for every operator.
            let names: Vec<_> = run.faults.iter().map(|placed| placed.entry.name).collect();
            seen.extend(names.iter().copied());
            if !tried.insert((names, run.operator)) {
                continue;
            }
            let scenario = suite.scenario(&run);
            let written = toml(&scenario, &scenario.machine_file);
            let again = parse("it", &written, Path::new("")).unwrap_or_else(|error| panic!("{error}\n{written}"));
            assert_same(&scenario, &again, &written);
        }
        assert_eq!(seen.len(), CATALOGUE.len());
    }
}
