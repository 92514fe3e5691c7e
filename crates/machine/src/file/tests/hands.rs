//! What a file says wrongly of arms, of the levers that move them, and of the seat.

use super::{check, read};
use crate::builtin;
use crate::description::SeatPlace;

#[test]
fn names_levers_and_arms() {
    check(
        &[
            ("name = \"stick\"", "name = \"boom\""),
            (r#""boom", "stick", "bucket"]"#, r#""boom", "bucket"]"#),
        ],
        &[r#"axis "boom" / name: found a second "boom", wanted a name of its own"#],
    );
    check(
        &[("lever = 2", "lever = 1")],
        &[
            r#"axis "stick" / lever: found the lever of another axis, wanted a lever that moves no other axis in joint mode"#,
        ],
    );
    check(
        &[("lever = 2", "lever = 16")],
        &[r#"axis "stick" / lever: found 16, wanted a whole number from 0 to 15"#],
    );
    check(
        &[(
            r#"["slew", "boom", "stick", "bucket"]"#,
            r#"["slew", "boom", "sick", "bucket"]"#,
        )],
        &[r#"arm "digger" / axes: found no axis "sick", wanted one of "slew", "boom", "stick", "bucket""#],
    );
    check(
        &[(
            r#"["slew", "boom", "stick", "bucket"]"#,
            r#"["slew", "boom", "boom", "bucket"]"#,
        )],
        &[
            r#"arm "digger" / axes: found "boom", which arm "digger" has already, wanted each axis in one place of one arm"#,
        ],
    );
    check(
        &[("pitch_joint = \"bucket\"", "pitch_joint = \"grip\"")],
        &[r#"arm "digger" / pitch_joint: found "grip", wanted one of this arm's axes: slew, boom, stick, bucket"#],
    );
    check(
        &[("levers = [2, 0, 1, 3]", "levers = [2, 0, 1]")],
        &[
            r#"arm "digger" / levers: found 3 of them, wanted four to six levers, for forward, left, up and pitch, and then roll and yaw"#,
        ],
    );
    check(
        &[("levers = [2, 0, 1, 3]", "levers = [2, 0, 2, 3]")],
        &[r#"arm "digger" / levers: found [2, 0, 2, 3], wanted levers that all differ"#],
    );
    check(
        &[("levers = [2, 0, 1, 3]", "levers = [2, 0, 1, 3, 4]")],
        &[
            r#"arm "digger" / levers: found 5 of them, wanted four levers: no joint beyond pitch_joint could roll the tip"#,
        ],
    );
    check(
        &[("levers = [2, 0, 1, 3]", "levers = [2, 0, 1, 3, 4, 5]")],
        &[r#"arm "digger" / levers: found 6 of them, wanted six levers for an arm of six joints or more alone"#],
    );
}

#[test]
fn how_the_hands_are_taken() {
    check(
        &[("expo = 0.3", "expo = 1.3")],
        &["station / seat / expo: found 1.3, wanted a number from 0 to 1"],
    );
    check(
        &[("slow_share = 0.3", "slow_share = 0")],
        &["station / seat / slow_share: found 0, wanted a number from 0.01 to 1"],
    );
    check(
        &[("slow_share = 0.3", "slow_percent = 30")],
        &[
            "station / seat / slow_percent: found an unknown key, wanted it taken out, or one of required, tip_mm_s, slow_share",
        ],
    );
    check(
        &[("[seat]\nposition_mm = [0, 0, 600]", "[seat]\nposition_mm = [0, 600]")],
        &["seat / position_mm: found [0, 600], wanted three numbers from -20000 to 20000"],
    );
    check(
        &[("yaw_deg = 0", "yaw_deg = 200")],
        &["seat / yaw_deg: found 200, wanted a number from -180 to 180"],
    );
    check(
        &[("yaw_deg = 0", "roll_deg = 0")],
        &[
            "seat / yaw_deg: found nothing, wanted a number from -180 to 180",
            "seat / roll_deg: found an unknown key, wanted it taken out, or one of yaw_deg",
        ],
    );
}

#[test]
fn without_a_seat_its_frame_is_the_machines_and_levers_are_straight() {
    let text = builtin("yard-digger").unwrap();
    let bare = text
        .replace("[seat]\nposition_mm = [0, 0, 600]\nyaw_deg = 0\n", "")
        .replace("expo = 0.3\nslow_share = 0.3\n", "");
    assert!(bare.len() + 80 < text.len());
    let bare = read("f", &bare).unwrap();
    assert_eq!(bare.seat, SeatPlace::default());
    assert_eq!((bare.stations.seat.expo, bare.stations.seat.slow_share), (0.0, 1.0));
}
