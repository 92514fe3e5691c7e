//! A pad without a device: plugging, unplugging, pushing, pressing.

use bellcrank_core::inputs::Mode;
use bellcrank_core::units::Duration;

use super::*;
use crate::mapping::PadLever;

fn places() -> PadPlaces {
    PadPlaces {
        mode: Mode::Joint,
        named: None,
        enable: Button::RightTrigger,
        stop: Button::Start,
        slow: Some(Button::LeftShoulder),
        levers: vec![
            PadLever {
                number: 0,
                axis: PadAxis::LeftX,
                reversed: false,
            },
            PadLever {
                number: 2,
                axis: PadAxis::RightY,
                reversed: true,
            },
        ],
    }
}

fn at(ticks: u64) -> Instant {
    Instant::from_ticks(ticks)
}

/// A pad of the board, and what is told to it after each event.
struct Bench {
    heard: Heard,
    pad: QueuedPad,
    followed: Followed,
    now: u64,
}

impl Bench {
    fn new(named: Option<&str>) -> Self {
        let heard: Heard = Arc::new(ArrayQueue::new(1));
        Self {
            pad: QueuedPad::new(Arc::clone(&heard)),
            heard,
            followed: Followed::new(named.map(str::to_owned)),
            now: 0,
        }
    }

    /// The frame after an event; its age is 0 where it is heard.
    fn after(&mut self, event: &PadEvent) -> HandFrame {
        self.followed.take(event);
        self.now += 4000;
        self.heard.force_push((self.followed.held(), at(self.now)));
        let listened = self.pad.listen();
        let frame = self.pad.frame(&places(), at(self.now));
        assert_eq!(listened.is_ok(), frame.age.is_some());
        frame
    }
}

fn plugged(number: usize) -> PadEvent {
    PadEvent::Plugged(number, "A pad".to_owned())
}

#[test]
fn levers_and_buttons_are_where_they_were_last_put() {
    let mut bench = Bench::new(None);
    let rest = bench.after(&plugged(0));
    assert!(rest.stop_clear && !rest.enable && rest.neutral(0.0));
    bench.after(&PadEvent::Moved(0, PadAxis::LeftX, 0.5));
    bench.after(&PadEvent::Moved(0, PadAxis::RightY, 0.25));
    let frame = bench.after(&PadEvent::Pressed(0, Button::RightTrigger, true));
    let levers = [0, 1, 2].map(|number: usize| frame.levers[number].share());
    assert_eq!((levers, frame.enable, frame.slow), ([0.5, 0.0, -0.25], true, false));
    assert!(bench.after(&PadEvent::Pressed(0, Button::LeftShoulder, true)).slow);
    assert!(!bench.after(&PadEvent::Pressed(0, Button::Start, true)).stop_clear);
    assert!(!bench.after(&PadEvent::Pressed(0, Button::RightTrigger, false)).enable);
}

/// Plugged in again it is another pad: nothing of what it held before is left.
#[test]
fn unplugged_it_is_not_heard_and_plugged_in_again_it_holds_nothing() {
    let mut bench = Bench::new(None);
    assert_eq!(
        bench.after(&PadEvent::Moved(0, PadAxis::LeftX, 1.0)),
        HandFrame::default(),
        "never plugged in"
    );
    bench.after(&plugged(0));
    bench.after(&PadEvent::Moved(0, PadAxis::LeftX, 1.0));
    let held = bench.after(&PadEvent::Pressed(0, Button::RightTrigger, true));
    assert!(held.enable && !held.neutral(0.1));
    assert_eq!(bench.after(&PadEvent::Unplugged(0)), HandFrame::default());
    assert_eq!(
        bench.after(&PadEvent::Moved(0, PadAxis::LeftX, 1.0)),
        HandFrame::default()
    );
    let again = bench.after(&plugged(0));
    assert!(again.age.is_some() && !again.enable && again.neutral(0.0));
}

#[test]
fn another_pad_takes_no_hold_while_the_first_is_there() {
    let mut bench = Bench::new(None);
    bench.after(&plugged(3));
    bench.after(&plugged(4));
    let frame = bench.after(&PadEvent::Pressed(4, Button::RightTrigger, true));
    assert!(frame.age.is_some() && !frame.enable);
    assert!(bench.after(&PadEvent::Unplugged(4)).age.is_some());
    assert!(bench.after(&PadEvent::Unplugged(3)).age.is_none());
    assert!(bench.after(&plugged(4)).age.is_some());
}

#[test]
fn only_the_pad_of_that_name_is_followed() {
    let mut bench = Bench::new(Some("Stick"));
    assert!(bench.after(&plugged(0)).age.is_none());
    assert!(
        bench
            .after(&PadEvent::Plugged(1, "A Stick of ours".to_owned()))
            .age
            .is_some()
    );
}

#[test]
fn a_thread_that_hangs_lets_the_frame_grow_old() {
    let mut bench = Bench::new(None);
    bench.after(&plugged(0));
    let frame = bench.pad.frame(&places(), at(bench.now + 300_000));
    assert_eq!(frame.age, Some(Duration::from_ticks(300_000)));
}

#[test]
fn an_axis_that_is_no_number_is_no_frame() {
    let mut bench = Bench::new(None);
    bench.after(&plugged(0));
    let followed = bench.followed.clone();
    let mut bench = Bench {
        followed,
        ..Bench::new(None)
    };
    bench.followed.take(&PadEvent::Moved(0, PadAxis::LeftX, f32::NAN));
    bench.heard.force_push((bench.followed.held(), at(0)));
    assert!(bench.pad.listen().is_ok());
    assert_eq!(bench.pad.frame(&places(), at(0)), HandFrame::default());
}
