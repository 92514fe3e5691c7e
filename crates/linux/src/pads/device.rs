//! The pads of this computer, by `gilrs`: Linux' input devices, and udev for those that come and go.

use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant as Clock};

use bellcrank_core::units::Instant;
use crossbeam_queue::ArrayQueue;
use gilrs::{Axis, Button as Theirs, EventType, Gilrs};

use super::{Followed, PadEvent, QueuedPad};
use crate::mapping::{Button, PadAxis};

/// How often the system is looked at.
const EVERY: Duration = Duration::from_millis(4);

/// Follows a pad by part of its name. `begin` is when the loop's time begins.
///
/// # Errors
/// The system has no pads to offer, in words.
pub fn start(named: Option<String>, begin: Clock) -> Result<QueuedPad, String> {
    let heard = Arc::new(ArrayQueue::new(1));
    let theirs = Arc::clone(&heard);
    let (ready, is_ready) = std::sync::mpsc::channel();
    // A handle of gilrs stays on the thread that made it.
    let listen = move || {
        let mut system = match Gilrs::new() {
            Ok(system) => system,
            Err(error) => return ready.send(Err(error.to_string())).unwrap_or_default(),
        };
        let _ = ready.send(Ok(()));
        let mut followed = Followed::new(named);
        for (id, pad) in system.gamepads() {
            followed.take(&PadEvent::Plugged(id.into(), pad.name().to_owned()));
        }
        loop {
            while let Some(event) = system.next_event() {
                let name = || system.gamepad(event.id).name().to_owned();
                if let Some(event) = told(event.id.into(), &event.event, name) {
                    followed.take(&event);
                }
            }
            let micros = u64::try_from(begin.elapsed().as_micros()).unwrap_or(u64::MAX);
            theirs.force_push((followed.held(), Instant::from_ticks(micros)));
            thread::sleep(EVERY);
        }
    };
    thread::Builder::new()
        .name("pads".to_owned())
        .spawn(listen)
        .map_err(|error| error.to_string())?;
    is_ready.recv().map_err(|error| error.to_string())??;
    Ok(QueuedPad::new(heard))
}

/// An event in our words; none for those that mean nothing here.
fn told(number: usize, event: &EventType, name: impl FnOnce() -> String) -> Option<PadEvent> {
    let pressed = |theirs, pressed: bool| {
        let cross = |axis, way: f32| Some(PadEvent::Moved(number, axis, if pressed { way } else { 0.0 }));
        match theirs {
            Theirs::DPadRight => cross(PadAxis::CrossX, 1.0),
            Theirs::DPadLeft => cross(PadAxis::CrossX, -1.0),
            Theirs::DPadUp => cross(PadAxis::CrossY, 1.0),
            Theirs::DPadDown => cross(PadAxis::CrossY, -1.0),
            _ => Some(PadEvent::Pressed(number, button(theirs)?, pressed)),
        }
    };
    match *event {
        EventType::Connected => Some(PadEvent::Plugged(number, name())),
        EventType::Disconnected => Some(PadEvent::Unplugged(number)),
        EventType::AxisChanged(theirs, share, _) => Some(PadEvent::Moved(number, axis(theirs)?, share)),
        EventType::ButtonPressed(theirs, _) => pressed(theirs, true),
        EventType::ButtonReleased(theirs, _) => pressed(theirs, false),
        _ => None,
    }
}

fn axis(theirs: Axis) -> Option<PadAxis> {
    Some(match theirs {
        Axis::LeftStickX => PadAxis::LeftX,
        Axis::LeftStickY => PadAxis::LeftY,
        Axis::RightStickX => PadAxis::RightX,
        Axis::RightStickY => PadAxis::RightY,
        Axis::DPadX => PadAxis::CrossX,
        Axis::DPadY => PadAxis::CrossY,
        _ => return None,
    })
}

fn button(theirs: Theirs) -> Option<Button> {
    Some(match theirs {
        Theirs::LeftTrigger => Button::LeftShoulder,
        Theirs::RightTrigger => Button::RightShoulder,
        Theirs::LeftTrigger2 => Button::LeftTrigger,
        Theirs::RightTrigger2 => Button::RightTrigger,
        Theirs::South => Button::South,
        Theirs::East => Button::East,
        Theirs::West => Button::West,
        Theirs::North => Button::North,
        Theirs::Select => Button::Select,
        Theirs::Start => Button::Start,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A system without any pad still starts, or says why not; what is heard of none is nothing.
    #[test]
    fn no_pad_is_not_heard() {
        use crate::pads::Pad;

        match start(Some("no pad has this name".to_owned()), Clock::now()) {
            Ok(mut pad) => {
                thread::sleep(Duration::from_millis(50));
                assert!(pad.listen().is_err());
            }
            Err(why) => assert!(!why.is_empty()),
        }
    }
}
