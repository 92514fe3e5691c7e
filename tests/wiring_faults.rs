//! What scenarios do to links, hands, switches and the controller: what the core makes of it, and that nothing starts by itself.

use std::path::Path;

use bellcrank_core::cause::Cause;
use bellcrank_core::supervise::{State, What};
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario;
use bellcrank_sim::trace::Trace;

/// Number of the left lift among the setter's axes.
const LIFT: usize = 1;
/// When what goes wrong begins, s.
const AT: f64 = 2.0;

/// The setter's left lift is raised at half lever from the seat from 1 s on, which goes on, and something goes wrong at 2 s.
fn lifting(station: &str, fault: &str, then: &str) -> Trace {
    let text = format!(
        "name = \"n\"\nabout = \"a\"\nmachine = \"drystone setter\"\nlength_s = 4\nstation = \"{station}\"\nmode = \"joint\"
[[start]]\narm = \"left\"\nangles_deg = [0, -20, 70, 40, 0]\n[[start]]\narm = \"right\"\nangles_deg = [0, -20, 70, 40, 0]
[[hand]]\nat_s = 0.4\nenable = true\n[[hand]]\nat_s = 1\nlever = {{ axis = \"left lift\", share = 0.5 }}
{then}\n[[fault]]\nat_s = {AT}\n{fault}\n"
    );
    let scenario = scenario::parse("s.toml", &text, Path::new("")).unwrap_or_else(|error| panic!("{error}"));
    rehearse(&scenario, 1).unwrap()
}

/// The first cause after the fault, and how long after it, s.
fn noticed(trace: &Trace) -> Option<(Cause, f64)> {
    let mut events = trace.events.iter().filter(|event| event.t >= AT);
    events.find_map(|event| Some((event.cause()?, event.t - AT)))
}

fn rate(trace: &Trace, t: f64) -> f64 {
    trace.samples.iter().find(|sample| sample.t >= t).unwrap().axes[LIFT].rate
}

fn state(trace: &Trace, t: f64) -> State {
    trace.samples.iter().find(|sample| sample.t >= t).unwrap().state
}

/// 60 ms by wire, 150 ms by radio (`frame_late_ms`), a tick, and the time between two frames where the last was one already.
#[test]
fn a_link_that_brings_nothing_true_is_lost_in_time_and_the_arm_stops() {
    for (station, late) in [("seat", 0.060), ("remote", 0.150)] {
        for kind in ["link_lost", "link_repeats", "link_forged", "link_jammed"] {
            let fault = format!("kind = \"{kind}\"\nstation = \"{station}\"");
            let trace = lifting(station, &fault, "");
            let (cause, after) = noticed(&trace).unwrap_or_else(|| panic!("{station} {kind}"));
            assert_eq!(cause, Cause::LinkLost, "{station} {kind}");
            assert!(
                after <= late + 0.0021 && after > late - 0.03,
                "{station} {kind}: {after} s"
            );
            assert!(
                rate(&trace, AT - 0.05) > 0.01 && rate(&trace, 3.9).abs() < 1e-3,
                "{station} {kind}"
            );
        }
    }
}

/// A forger's levers are all over; nothing but the ramp of the stop is seen of him.
#[test]
fn a_forger_moves_nothing() {
    let trace = lifting("seat", "kind = \"link_forged\"\nstation = \"seat\"", "");
    let lost = lifting("seat", "kind = \"link_lost\"\nstation = \"seat\"", "");
    assert_eq!(trace.digest, lost.digest, "as if there were silence");
}

#[test]
fn a_link_is_believed_while_it_is_heard_and_young_enough() {
    let trace = lifting("remote", "kind = \"link_half_open\"\nstation = \"remote\"", "");
    let (cause, after) = noticed(&trace).unwrap();
    // It gives up after 500 ms without the machine.
    assert!(cause == Cause::LinkLost && (0.6..0.7).contains(&after), "{after} s");
    let fault = |by: u32| format!("kind = \"link_delayed\"\nstation = \"remote\"\nby_ms = {by}");
    assert_eq!(
        noticed(&lifting("remote", &fault(40), "")),
        None,
        "80 ms there and back"
    );
    assert!(
        noticed(&lifting("remote", &fault(80), "")).is_some(),
        "160 ms there and back"
    );
}

#[test]
fn hands_that_do_the_wrong_thing_are_obeyed_until_the_enabling_switch_is_let_go() {
    let trace = lifting("seat", "kind = \"levers_reversed\"", "");
    let (before, after) = (rate(&trace, AT - 0.05), rate(&trace, 2.9));
    assert!((after / before + 1.0).abs() < 0.3, "{before} then {after}");
    assert_eq!(noticed(&trace), None);

    let let_go = "[[hand]]\nat_s = 2.5\nneutral = true\n[[hand]]\nat_s = 3\nenable = false";
    let trace = lifting("seat", "kind = \"levers_stuck\"", let_go);
    assert!(rate(&trace, 2.9) > 0.9 * before, "the lever is out still");
    assert!(rate(&trace, 3.9).abs() < 1e-3 && state(&trace, 3.9) == State::Standby);

    let let_go = "[[hand]]\nat_s = 2.5\nenable = false";
    let trace = lifting("seat", "kind = \"enable_tied\"", let_go);
    assert!(rate(&trace, 3.9) > 0.9 * before && state(&trace, 3.9) == State::Enabled);
}

/// An enabling switch that was tied down before the start does not count as pressed.
#[test]
fn a_switch_that_is_tied_down_from_the_start_enables_nothing() {
    let text = "name = \"n\"\nabout = \"a\"\nmachine = \"drystone setter\"\nlength_s = 2\nstation = \"seat\"\nmode = \"joint\"
[[start]]\narm = \"left\"\nangles_deg = [0, -20, 70, 40, 0]\n[[hand]]\nat_s = 1\nlever = { axis = \"left lift\", share = 0.5 }
[[fault]]\nat_s = 0\nkind = \"enable_tied\"\n";
    let scenario = scenario::parse("s.toml", text, Path::new("")).unwrap_or_else(|error| panic!("{error}"));
    let trace = rehearse(&scenario, 1).unwrap();
    assert!(trace.samples.iter().all(|sample| sample.state != State::Enabled));
    assert!(rate(&trace, 1.9).abs() < 1e-3);
}

/// A contact that opens for longer than a test pulse is a stop, at once.
#[test]
fn a_contact_that_bounces_stops_the_machine() {
    for channel in [1, 2] {
        let fault = format!("kind = \"stop_channel_bounces\"\nchannel = {channel}\nopen_ms = 8\nevery_ms = 37");
        let (cause, after) = noticed(&lifting("seat", &fault, "")).unwrap();
        assert!(cause == Cause::StopButton && after < 0.05, "{cause} after {after} s");
    }
}

/// The hands hold on to lever and enabling switch: when the supply is back, they have to let go and reset first.
#[test]
fn after_a_brown_out_nothing_starts_by_itself() {
    let trace = lifting("seat", "kind = \"brown_out\"\nto_v = 0\nlasts_s = 0.1", "");
    assert_eq!(state(&trace, AT - 0.05), State::Enabled);
    let after = trace.samples.iter().filter(|sample| sample.t > AT + 0.05);
    assert!(after.clone().all(|sample| sample.state != State::Enabled));
    assert!(rate(&trace, 3.9).abs() < 1e-3);
    let restarted = |what: &What| matches!(what, What::Restarted(State::Enabled));
    assert!(
        trace.events.iter().any(|event| restarted(&event.what)),
        "it tells what was"
    );

    // They let go, and took hold again after a reset: it works on. The watchdog, fed by the same supply, has begun anew.
    let anew = "[[hand]]\nat_s = 2.3\nneutral = true\n[[hand]]\nat_s = 2.3\nenable = false\n";
    let pressed = "[[hand]]\nat_s = 2.9\nreset = true\n[[hand]]\nat_s = 3\nreset = false\n";
    let taken = "[[hand]]\nat_s = 3.3\nenable = true";
    for (reset, wanted) in [("", State::Standby), (pressed, State::Enabled)] {
        let hands = format!("{anew}{reset}{taken}");
        let trace = lifting("seat", "kind = \"brown_out\"\nto_v = 0\nlasts_s = 0.1", &hands);
        assert_eq!(state(&trace, 3.9), wanted);
    }
}

/// From the first bit to the last. The hands hold on, let go, reset, and take hold again: nothing comes of it.
#[test]
fn a_controller_whose_image_is_damaged_never_starts_again() {
    let anew = "[[hand]]\nat_s = 2.3\nneutral = true\n[[hand]]\nat_s = 2.3\nenable = false\n";
    let pressed = "[[hand]]\nat_s = 2.9\nreset = true\n[[hand]]\nat_s = 3\nreset = false\n";
    let taken = "[[hand]]\nat_s = 3.3\nenable = true";
    for percent in [0, 13, 50, 87, 100] {
        let fault = format!("kind = \"image_damaged\"\nplace_percent = {percent}");
        let trace = lifting("seat", &fault, &format!("{anew}{pressed}{taken}"));
        assert_eq!(state(&trace, AT - 0.05), State::Enabled);
        for sample in trace.samples.iter().filter(|sample| sample.t > AT + 0.01) {
            assert_eq!(sample.state, State::SelfTest, "{percent} %, {} s", sample.t);
            assert!(
                sample.axes.iter().all(|axis| axis.signal == 0.0),
                "{percent} %, {} s",
                sample.t
            );
        }
        assert!(rate(&trace, 3.9).abs() < 1e-3, "{percent} %");
    }
}

/// Each bit of it, the first and the last of every byte.
#[test]
fn a_record_of_which_a_bit_is_turned_over_is_lost_and_told_so() {
    for bit in (0..64).filter(|bit| bit % 8 == 0 || bit % 8 == 7) {
        let trace = lifting(
            "seat",
            &format!("kind = \"record_flipped\"\nbit = {bit}\nlasts_s = 0.1"),
            "",
        );
        let told = |wanted: What| trace.events.iter().any(|event| event.what == wanted);
        assert!(told(What::RecordLost), "bit {bit}");
        assert!(!told(What::Restarted(State::Enabled)), "bit {bit}");
        assert_ne!(state(&trace, 3.9), State::Enabled, "bit {bit}");
    }
    let trace = lifting("seat", "kind = \"restart\"\nlasts_s = 0.1", "");
    let told = |wanted: What| trace.events.iter().any(|event| event.what == wanted);
    assert!(told(What::Restarted(State::Enabled)) && !told(What::RecordLost));
}
