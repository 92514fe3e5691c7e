//! Every kind of mistake once, and the machines that have none.

use super::read;
use crate::{BUILTIN, builtin};

mod hands;
mod times;

/// Replaces pieces of the yard digger's file, each of which must be there, and compares all complaints, one a line.
#[track_caller]
fn check(edits: &[(&str, &str)], expect: &[&str]) {
    let mut text = builtin("yard-digger").unwrap().to_owned();
    for (from, to) in edits {
        assert!(text.contains(from), "{from:?} is not in the file");
        text = text.replacen(from, to, 1);
    }
    let said: Vec<String> = match read("f", &text) {
        Ok(_) => Vec::new(),
        Err(e) => e
            .list()
            .iter()
            .map(|c| format!("{}: found {}, wanted {}", c.path, c.found, c.wanted))
            .collect(),
    };
    assert_eq!(said, expect);
}

#[test]
fn the_built_in_machines_have_no_mistakes() {
    for (name, _) in BUILTIN {
        if let Err(e) = read(name, builtin(name).unwrap()) {
            panic!("{e}");
        }
    }
    assert_eq!(builtin("tractor"), None);
}

#[test]
fn what_the_file_says_comes_out_in_si() {
    let digger = read("f", builtin("yard-digger").unwrap()).unwrap();
    let boom = digger.axes.iter().find(|axis| axis.name == "boom").unwrap();
    assert_eq!(digger.timing.tick, 0.002);
    assert!((digger.supply.flow - 1e-3).abs() < 1e-15);
    assert_eq!(boom.joint.centre.x, 1.05);
    assert!((boom.joint.range.1.to_degrees() - 35.0).abs() < 1e-12);
    assert_eq!(boom.watch.following, 0.06);
    assert_eq!(digger.arms[0].axes, [0, 1, 2, 3]);
    assert_eq!(digger.arms[0].pitch_joint, 3);
}

#[test]
fn keys_and_types() {
    check(
        &[("bore_mm = 80", "bore = 80")],
        &[r#"axis "boom" / cylinder / bore: found an unknown key, wanted bore_mm: the unit belongs in the key"#],
    );
    check(
        &[("full_mm_s = [122, 101]", "full_deg_s = [122, 101]")],
        &[r#"axis "boom" / drive / full_deg_s: found an unknown key, wanted full_mm_s: the unit belongs in the key"#],
    );
    check(
        &[("kind = \"four_bar\"", "kind = \"5_bar\"")],
        &[r#"axis "bucket" / linkage / kind: found "5_bar", wanted "clevis" or "four_bar" or "direct""#],
    );
    check(
        &[("mass_kg = 180, ", "")],
        &[r#"axis "boom" / joint / mass_kg: found nothing, wanted a number from 0.01 to 100000"#],
    );
    check(
        &[("jump_mm_s = 1500\n", "")],
        &[
            r#"axis "boom" / watch: found no jump_mm_s, neither here nor in [watch], wanted it in one of the two"#,
            r#"axis "stick" / watch: found no jump_mm_s, neither here nor in [watch], wanted it in one of the two"#,
            r#"axis "bucket" / watch: found no jump_mm_s, neither here nor in [watch], wanted it in one of the two"#,
        ],
    );
}

#[test]
fn motion_is_not_missed_before_it_may_have_come() {
    check(
        &[(
            "watch = { settle_ms = 400, give_mm = 6 }",
            "watch = { settle_ms = 401 }",
        )],
        &[
            r#"axis "boom" / watch: found a no_motion_ms of 400, wanted at least settle_ms (401): motion may take that long"#,
        ],
    );
}

#[test]
fn what_a_valve_is_told_by() {
    let pwm = "channel = { neutral = 0.5, band = [0.1, 0.9] }";
    check(&[(pwm, "channel = { kind = \"coils\", full_ma = [700, 650] }")], &[]);
    check(
        &[(pwm, "channel = { kind = \"voltage\", full_v = 10, reversed = true }")],
        &[],
    );
    check(
        &[(pwm, "channel = { kind = \"current\", full_ma = [700, 650] }")],
        &[r#"axis "slew" / channel / kind: found "current", wanted "pwm" or "coils" or "voltage""#],
    );
    check(
        &[(pwm, "channel = { kind = \"coils\", full_ma = [700, 0] }")],
        &[r#"axis "slew" / channel / full_ma: found 0, wanted two numbers from 1 to 10000"#],
    );
    check(
        &[(pwm, "channel = { kind = \"voltage\", full_v = 10, neutral = 0.5 }")],
        &[r#"axis "slew" / channel / neutral: found an unknown key, wanted it taken out, or one of reversed"#],
    );
    check(
        &[(pwm, "channel = { kind = \"voltage\", full_v = -10 }")],
        &[r#"axis "slew" / channel / full_v: found -10, wanted a number from 0.1 to 30"#],
    );
}

#[test]
fn how_an_axis_is_driven() {
    check(
        &[("gain_per_s = 6\n", "")],
        // The boom has its own.
        &["slew", "stick", "bucket"]
            .map(|axis| {
                format!("axis {axis:?} / drive / gain_per_s: found nothing, neither here nor in [drive], wanted it in one of the two")
            })
            .each_ref()
            .map(String::as_str),
    );
    let slew = "curve_out = [[0.144, 0.1], [0.322, 0.35],";
    check(
        &[(slew, "curve_out = [[0.144, 0.1], [0.322, 0.05],")],
        &[
            r#"axis "slew" / drive / curve_out: found [0.322, 0.05] after [0.144, 0.1], wanted command and share of the full rate both rising, from the deadband on"#,
        ],
    );
    check(
        &[(slew, "curve_out = [[0.07, 0.1], [0.322, 0.35],")],
        &[
            r#"axis "slew" / drive / curve_out: found [0.07, 0.1] after [0.07, 0], wanted command and share of the full rate both rising, from the deadband on"#,
        ],
    );
    check(
        &[("fill_mm = [0.4, 0.2]", "fill_mm = [0.4, -0.4]")],
        &[r#"axis "boom" / drive / fill_mm: found -0.4, wanted two numbers from 0 to 20"#],
    );
    check(
        &[("fill_mm = [0.4, 0.2]", "run_on_mm = [0.9, -20.5]")],
        &[r#"axis "boom" / drive / run_on_mm: found -20.5, wanted two numbers from -20 to 20"#],
    );
    check(
        &[("braking_deg_s2 = 84", "hold_deg = 0, braking_deg_s2 = 84")],
        &[r#"axis "slew" / drive / hold_deg: found 0, wanted a number from 0.01 to 100"#],
    );
    check(
        &[("lead_ms = 40", "lead_ms = 501")],
        &["drive / lead_ms: found 501, wanted a number from 0 to 500"],
    );
    check(
        &[("smooth_ms = 60", "smooth_ms = -1")],
        &["drive / smooth_ms: found -1, wanted a number from 0 to 1000"],
    );
    check(
        &[("lead_ms = 40", "lead_ms = 40\nramp_round_ms = 1001")],
        &["drive / ramp_round_ms: found 1001, wanted a number from 0 to 1000"],
    );
    check(
        &[("dither_hz = 125", "dither_hz = 251")],
        &["drive / dither_hz: found 251, wanted at most 250: half a wave takes a tick"],
    );
    check(
        &[("dither_percent = 1.5\n", ""), ("braking_deg_s2 = 84", "dither_percent = 1, braking_deg_s2 = 84")],
        &["boom", "stick", "bucket"]
            .map(|axis| {
                format!("axis {axis:?} / drive / dither_percent: found one of dither_percent and dither_hz, wanted both, or none")
            })
            .each_ref()
            .map(String::as_str),
    );
}

#[test]
fn pressures_and_flows() {
    check(
        &[("\nrelief_bar = 220", "\nrelief_bar = 200")],
        &["supply / relief_bar: found 200, wanted more than pressure_bar (200), or the relief valve never rests"],
    );
    check(
        &[("control_band_bar = 15", "control_band_bar = 200")],
        &["supply / control_band_bar: found 200, wanted less than pressure_bar (200)"],
    );
    check(
        &[("dump_lpm = 80", "dump_lpm = 50")],
        &["supply / dump_lpm: found 50, wanted at least pump_lpm (60): open, it takes the whole pump flow to tank"],
    );
    check(
        &[("port_relief_bar = 240", "port_relief_bar = 180")],
        &[
            r#"valve "slew" / port_relief_bar: found 180, wanted more than supply.pressure_bar (200), or it opens in normal work"#,
        ],
    );
    check(
        &[
            ("blend_bar = 0.5\noverlap", "blend_bar = 10\noverlap"),
            ("rated_drop_bar = 35", "rated_drop_bar = 5"),
        ],
        &[r#"valve "slew" / blend_bar: found 10, wanted less than rated_drop_bar (5)"#],
    );
    check(
        &[("valve = \"boom\"", "valve = \"bom\"")],
        &[r#"axis "boom" / valve: found "bom", wanted one of the kinds under [valve.NAME]: slew, boom, stick, bucket"#],
    );
}

#[test]
fn cylinders_and_motors() {
    check(
        &[("rod_mm = 45", "rod_mm = 80")],
        &[r#"axis "boom" / cylinder / rod_mm: found 80, wanted less than bore_mm (80)"#],
    );
    check(
        &[("cushion_mm = 20", "cushion_mm = 300")],
        &[
            r#"axis "boom" / cylinder / cushion_mm: found 300, wanted at most half of the stroke: there is one at each end"#,
        ],
    );
    check(
        &[(
            r#"linkage = { kind = "clevis", barrel_pin_mm = [120, 0, -250], rod_pin_mm = [750, 0, 100], closed_mm = 558 }"#,
            r#"linkage = { kind = "direct", zero_deg = -60 }"#,
        )],
        &[
            r#"axis "boom" / linkage: found "direct" with a cylinder, wanted a motor: a motor sits on its joint, a cylinder drives it through pins"#,
        ],
    );
}

#[test]
fn sensors_and_channels() {
    check(
        &[("fault_volts = [0.2, 9.8]", "fault_volts = [0.5, 9.8]")],
        &[r#"axis "slew" / sensor / volts: found [0.5, 9.5], wanted inside fault_volts ([0.5, 9.8]), on neither end"#],
    );
    check(
        &[("fault_volts = [0.2, 9.8]", "fault_volts = [0.2, 10]")],
        &[
            r#"axis "slew" / sensor / fault_volts: found [0.2, 10], wanted inside 0 to converter_v (10): a fault has to be a voltage that can be read"#,
        ],
    );
    check(
        &[("at_mm = [0, 408]", "at_mm = [9, 9]")],
        &[r#"axis "boom" / sensor / at_mm: found [9, 9], wanted strokes that rise all the way, or fall all the way"#],
    );
    check(
        &[("at_mm = [0, 408]", "at_mm = [0, 300]")],
        &[
            r#"axis "boom" / sensor: found 12.74 V with the actuator fully out, which is a fault, wanted a calibration that stays inside 0.2 to 9.8 V over the whole stroke"#,
        ],
    );
    check(
        &[("neutral = 0.5", "neutral = 0.9")],
        &[r#"axis "slew" / channel / neutral: found 0.9, wanted inside band ([0.1, 0.9]), on neither end"#],
    );
}

#[test]
fn linkages() {
    const CLEAR: &str = "wanted a linkage that closes over the whole stroke, 5 degrees clear of its dead centres";
    check(
        &[("closed_mm = 558", "closed_mm = 1040")],
        &[&format!(
            r#"axis "boom" / linkage: found that at 0 % of the stroke the cylinder (1040.0 mm) is too long: 1033.9 mm at most, {CLEAR}"#
        )],
    );
    check(
        &[("closed_mm = 558", "closed_mm = 480")],
        &[&format!(
            r#"axis "boom" / linkage: found that at 0 % of the stroke it is 3.2 degrees from a dead centre, {CLEAR}"#
        )],
    );
    check(
        &[("coupler_mm = 262", "coupler_mm = 700")],
        &[
            r#"axis "bucket" / linkage: found pins that do not meet in the middle of range_deg: the coupler (700.0 mm) is too long: 603.4 mm at most, wanted a linkage that closes there"#,
        ],
    );
    check(
        &[("range_deg = [-60, 35]", "range_deg = [-70, 35]")],
        &[
            r#"axis "boom" / joint / range_deg: found [-70, 35], wanted a range inside what the stroke reaches: -60.5 to 35.6"#,
        ],
    );
    check(
        &[("range_deg = [-75, 75]", "range_deg = [-75, 85]")],
        &[
            r#"axis "slew" / joint / range_deg: found [-75, 85], wanted a range inside what the stroke reaches: -80 to 80"#,
        ],
    );
}

#[test]
fn zones_and_capacities() {
    check(
        &[("name = \"deck\"", "name = \"deck\"\nkind = \"ball\"")],
        &[r#"zone "deck" / kind: found "ball", wanted "box" or "capsule" or "half_space""#],
    );
    check(
        &[("max_mm = [500, 400, 2100]", "max_mm = [500, -400, 2100]")],
        &[
            r#"zone "seat" / max_mm: found [500, -400, 2100], wanted each coordinate greater than in min_mm ([-500, -400, 500])"#,
        ],
    );
    check(
        &[("min_mm = [-500, -400, 500]", "kind = \"capsule\"\nradius_mm = 0")],
        &[
            r#"zone "seat" / from_mm: found nothing, wanted three numbers from -20000 to 20000"#,
            r#"zone "seat" / to_mm: found nothing, wanted three numbers from -20000 to 20000"#,
            r#"zone "seat" / radius_mm: found 0, wanted a number from 1 to 5000"#,
            r#"zone "seat" / max_mm: found an unknown key, wanted it taken out, or one of from_mm, to_mm, on, spares"#,
        ],
    );
    check(
        &[(
            "min_mm = [-500, -400, 500]\nmax_mm = [500, 400, 2100]",
            "kind = \"half_space\"\npoint_mm = [0, 0, 0]\noutward = [0, 0, 0.01]\non = \"grip\"\nspares = [\"bucket\", \"hand\"]",
        )],
        &[
            r#"zone "seat" / outward: found [0, 0, 0.01], wanted a direction, such as [0, 0, 1] for up"#,
            r#"zone "seat" / on: found "grip", wanted the axis of an arm"#,
            r#"zone "seat" / spares: found "hand", wanted the axis of an arm"#,
        ],
    );
    let zone = "[[zone]]\nname = \"Z\"\nmin_mm = [0, 0, 0]\nmax_mm = [1, 1, 1]\nmargin_mm = 0\n";
    let many: String = (0..8).map(|i| zone.replace('Z', &i.to_string())).collect();
    check(
        &[("[[zone]]", &format!("{many}[[zone]]"))],
        &["zone: found 12 of them, wanted 0 to 8"],
    );
}

#[test]
fn carriers() {
    const SUPPORT: &str = "support_mm = [[-850, -650], [850, -650], [850, 650], [-850, 650]]";
    const POINTS: &str = "a list of points, each two numbers from -20000 to 20000";
    const CONVEX: &str = "a convex polygon: its corners in order round it, each at least 10 mm inside of the edges that do not end in it";
    let check = |support: &str, found: &str, wanted: &str| {
        let complaint = format!("carrier / support_mm: found {found}, wanted {wanted}");
        check(&[(SUPPORT, &format!("support_mm = {support}"))], &[&complaint]);
    };
    check("[[0, 0], [850, 0]]", "2 corners", "3 to 8");
    check(
        "[[0, 0], [9, 1], [9, 2], [9, 3], [9, 4], [9, 5], [8, 6], [7, 7], [6, 8]]",
        "9 corners",
        "3 to 8",
    );
    check("7", "7", POINTS);
    check("[[0, 0], [850, 0], [850, 650, 3]]", "[850, 650, 3]", POINTS);
    check("[[0, 0], [850, 0], [850, inf]]", "inf", POINTS);
    // A dent, a bow tie, a star that turns twice, three in line, the same corner twice.
    for (support, edge) in [
        (
            "[[0, 0], [900, 0], [200, 200], [0, 900]]",
            "corner 4 not inside of the edge from corner 2 to corner 3",
        ),
        (
            "[[0, 0], [900, 600], [900, 0], [0, 500]]",
            "corner 4 not inside of the edge from corner 1 to corner 2",
        ),
        (
            "[[0, 900], [560, -760], [-900, 290], [900, 290], [-560, -760]]",
            "corner 4 not inside of the edge from corner 1 to corner 2",
        ),
        (
            "[[0, 0], [400, 0], [800, 0], [400, 600]]",
            "corner 3 not inside of the edge from corner 1 to corner 2",
        ),
        (
            "[[0, 0], [900, 0], [900, 0], [0, 900]]",
            "corner 3 not inside of the edge from corner 1 to corner 2",
        ),
    ] {
        check(support, edge, CONVEX);
    }
}

#[test]
fn what_the_guard_keeps() {
    check(
        &[("centre_mm = [-150, 0, 600]", "centre_mm = [900, 0, 600]")],
        &[
            "carrier / centre_mm: found [900, 0, 600], wanted a centre of mass over the support: else it tips with its arms off",
        ],
    );
    check(
        &[
            ("tip_margin_percent = 10", "tip_margin_percent = 100"),
            ("payload_kg = 150", "payload_kg = -1"),
        ],
        &[
            "carrier / tip_margin_percent: found 100, wanted a number from 0 to 90",
            r#"arm "digger" / payload_kg: found -1, wanted a number from 0 to 100000"#,
        ],
    );
    check(
        &[
            ("commissioning_mm_s = 250", "commissioning_mm_s = 0"),
            ("tip_mm_s = 250", "tip_mm_s = 0"),
        ],
        &[
            "station / remote / tip_mm_s: found 0, wanted a number from 1 to 3000",
            "guard / commissioning_mm_s: found 0, wanted a number from 1 to 3000",
        ],
    );
    // Two arms could meet.
    let setter = builtin("drystone-setter").unwrap();
    let without = setter.replace("arms_margin_mm = 120\n", "");
    assert_ne!(setter, without);
    let complaints = read("f", &without).unwrap_err();
    let [complaint] = complaints.list() else {
        panic!("{complaints}")
    };
    assert_eq!(
        (complaint.path.as_str(), complaint.found.as_str()),
        ("guard / arms_margin_mm", "nothing")
    );
}

#[test]
fn a_support_given_clockwise_is_turned_round() {
    let text = builtin("yard-digger").unwrap();
    let turned = text.replace(
        "[[-850, -650], [850, -650], [850, 650], [-850, 650]]",
        "[[-850, 650], [850, 650], [850, -650], [-850, -650]]",
    );
    assert_ne!(text, turned);
    assert_eq!(read("f", text).unwrap().carrier, read("f", &turned).unwrap().carrier);
}

#[test]
fn all_mistakes_come_out_at_once_in_the_order_of_the_file() {
    check(
        &[
            ("tick_late_ms = 10", "tick_late_ms = 1"),
            ("pump_lpm = 60", "pump_gpm = 16"),
            ("spool_hz = 15", "spool_hz = nan"),
            ("rod_mm = 45", "rod_mm = 99"),
            ("name = \"digger\"", "name = 7"),
        ],
        &[
            "timing / tick_late_ms: found 1, wanted more than tick_ms (2)",
            "supply / pump_gpm: found an unknown key, wanted pump_lpm: the unit belongs in the key",
            r#"valve "slew" / spool_hz: found nan, wanted a number from 1 to 500"#,
            r#"axis "boom" / cylinder / rod_mm: found 99, wanted less than bore_mm (80)"#,
            "arm 1 / name: found 7, wanted a text of 1 to 200 characters on one line",
        ],
    );
}

#[test]
fn a_file_cut_off_anywhere_is_refused_or_read_but_never_a_panic() {
    let text = builtin("drystone-setter").unwrap();
    for end in (0..text.len()).step_by(97).filter(|&end| text.is_char_boundary(end)) {
        if let Err(e) = read("f", &text[..end]) {
            assert!(e.list().iter().all(|c| c.line <= 1 + text.lines().count()), "{e}");
        }
    }
    for text in [
        "",
        "\u{feff}name = 1",
        "a = ".repeat(1000).as_str(),
        &"[".repeat(100_000),
        &"a.".repeat(100_000),
        "\0",
    ] {
        assert!(read("f", text).is_err());
    }
}
