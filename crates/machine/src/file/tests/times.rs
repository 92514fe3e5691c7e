//! Times, and what feeds and watches the controller.

use super::{check, read};
use crate::builtin;
use crate::description::Control;

#[test]
fn times() {
    check(
        &[("tick_late_ms = 10", "tick_late_ms = 2")],
        &["timing / tick_late_ms: found 2, wanted more than tick_ms (2)"],
    );
    check(
        &[("stop_budget_ms = 400", "stop_budget_ms = 0")],
        &["timing / stop_budget_ms: found 0, wanted a number from 1 to 2000"],
    );
    check(
        &[("dump_ms = 60", "dump_ms = 0")],
        &["supply / dump_ms: found 0, wanted a number from 1 to 60000"],
    );
    check(
        &[("stop_ramp_ms = 200", "stop_ramp_ms = 401")],
        &["drive / stop_ramp_ms: found 401, wanted at most timing.stop_budget_ms (400): power is cut then"],
    );
    check(
        &[("braking_deg_s2 = 84", "stop_ramp_ms = 401, braking_deg_s2 = 84")],
        &[
            r#"axis "slew" / drive / stop_ramp_ms: found 401, wanted at most timing.stop_budget_ms (400): power is cut then"#,
        ],
    );
    check(
        &[("frame_late_ms = 60", "frame_late_ms = 2")],
        &["station / seat / frame_late_ms: found 2, wanted more than timing.tick_ms"],
    );
}

#[test]
fn what_feeds_and_watches_the_controller() {
    check(
        &[
            ("tick_early_ms = 1", "tick_early_ms = 2"),
            ("supply_v = [20.4, 28.8]", "supply_v = [28.8, 20.4]"),
            ("relay_ms = 100", "relay_ms = 2"),
            ("watchdog_ms = [1, 12]", "watchdog_ms = [2, 12]"),
        ],
        &[
            "timing / tick_early_ms: found 2, wanted less than tick_ms (2)",
            "control / supply_v: found [28.8, 20.4], wanted the smaller number first",
            "control / relay_ms: found 2, wanted more than timing.tick_ms",
            "control / watchdog_ms: found [2, 12], wanted a window with timing.tick_ms inside it: it is fed once a tick",
        ],
    );
}

#[test]
fn a_controller_that_nothing_watches() {
    let text = builtin("yard-digger").unwrap();
    let (before, rest) = text.split_once("[control]").unwrap();
    let (_, after) = rest.split_once("[station.seat]").unwrap();
    let bare = read("f", &format!("{before}[station.seat]{after}")).unwrap();
    assert_eq!(bare.control, Control::default());
    let given = read("f", text).unwrap().control;
    assert_eq!(
        (given.supply, given.relay, given.watchdog, given.stop_pulse),
        (Some((20.4, 28.8)), Some(0.1), Some((0.001, 0.012)), 0.0)
    );
}
