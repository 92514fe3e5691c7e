//! Checks with nothing switched on.

use super::{List, slug};

pub(super) fn list(list: &mut List) {
    let machine = list.machine;
    let whole = format!("{machine:?}");
    list.add(
        "cold/file".to_owned(),
        (
            format!(
                "Go round the machine with its file ({:?}): pins, bores, strokes, valves, sensors, stations, zones, against \
                    tape, plates and drawings.",
                machine.name
            ),
            "Every figure of the file is that of the machine.".to_owned(),
        ),
        None,
        &[],
        &whole,
    );
    list.add(
        "cold/person".to_owned(),
        (
            "Ask the site's competent person for the risk assessment of this machine, and who says when to stop."
                .to_owned(),
            "The assessment is there, the person is named in the note, and agrees to what follows.".to_owned(),
        ),
        None,
        &["cold/file"],
        "",
    );
    list.add(
        "cold/energy".to_owned(),
        (
            "Lower or prop every arm, stop the engine, let the pressure out of lines and accumulators, lock off."
                .to_owned(),
            "Gauges read nothing; nothing sinks when a valve is worked by hand.".to_owned(),
        ),
        None,
        &["cold/person"],
        "",
    );
    list.add(
        "cold/wiring".to_owned(),
        (
            "Check fuses, earth, both channels of the stop chain from each button to the controller, and every plug against the \
                drawing.".to_owned(),
            "Everything goes where the drawing says; each stop button opens both channels.".to_owned(),
        ),
        None,
        &["cold/energy"],
        &format!("{:?}", machine.control),
    );
    for axis in &machine.axes {
        let (name, slug) = (&axis.name, slug(&axis.name));
        list.add(
            format!("cold/valve/{slug}"),
            (
                format!("Follow the cable of the {name}'s valve section, and its hoses, from end to end."),
                format!("It is the section of the {name}; the port that extends it goes to the side that extends it."),
            ),
            None,
            &["cold/wiring"],
            &format!("{:?} {:?}", axis.channel, axis.valve),
        );
        list.add(
            format!("cold/sensor/{slug}"),
            (
                format!("Follow the cable of the {name}'s sensor; look at its mounting over the whole stroke."),
                "It is that of this axis; nothing can catch, chafe or come off.".to_owned(),
            ),
            None,
            &["cold/wiring"],
            &format!("{:?} {:?}", axis.sensor, axis.twin),
        );
    }
}
