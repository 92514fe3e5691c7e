//! Checks with the engine running and every lever at neutral: pressure, its way to tank, what holds the load.

use super::{List, Reading, Take, slug, stroke_unit};

const BAR: f64 = 1e-5;
/// An open dump valve may take so many times the pressure that the file has for it: cold oil is thicker (common practice, no source).
const COLD: f64 = 2.0;

/// Everything that stops the machine works, and every valve is told to stay.
const ALL_STOPS: [&str; 8] = [
    "power/stop",
    "power/silence",
    "power/range",
    "power/watchdog",
    "power/relay",
    "power/restart",
    "power/enable",
    "power/command",
];

pub(super) fn list(list: &mut List) {
    let machine = list.machine;
    list.add(
        "engine/leaks".to_owned(),
        (
            "Start the engine at low speed, everybody out of reach; look at hoses and joints from a distance, never with a \
                hand: use card or wood.".to_owned(),
            "No oil where it should not be; nothing moves; no noise of air.".to_owned(),
        ),
        None,
        &ALL_STOPS,
        &format!("{:?} {:?}", machine.supply, machine.second_supply),
    );
    for (number, supply) in machine.supplies().enumerate() {
        let which = if number == 0 { "" } else { "-2" };
        let parts = format!("{supply:?}");
        list.add(
            format!("engine/pressure{which}"),
            (
                "Read the pressure at the pump with the valves' power on and levers at neutral; raise it to the relief valve \
                    the way its maker says.".to_owned(),
                "It opens where it should.".to_owned(),
            ),
            Some(
                Reading::new("greatest pressure", "bar", None, Some(BAR * (supply.relief + supply.relief_band)))
                    .read_by("supply_bar".to_owned(), Take::Greatest),
            ),
            &["engine/leaks"],
            &parts,
        );
        list.add(
            format!("engine/dump{which}"),
            (
                "Press stop with the engine running, and read the pressure at the pump when it has settled.".to_owned(),
                "The dump valve lets the pump's oil to tank.".to_owned(),
            ),
            Some(
                Reading::new(
                    "pressure",
                    "bar",
                    None,
                    Some(BAR * (supply.tank + COLD * supply.dump_drop)),
                )
                .read_by("supply_bar".to_owned(), Take::Least),
            ),
            &["engine/leaks"],
            &parts,
        );
    }
    for (station, name) in list.stations() {
        list.add(
            format!("engine/stop/{station}"),
            (
                format!("Press the stop button of {name} with the engine running."),
                "The engine stops where it is meant to; nothing sinks.".to_owned(),
            ),
            None,
            &["engine/leaks"],
            &format!("{:?}", machine.engine),
        );
    }
    for axis in machine.axes.iter().filter(|axis| axis.holding.is_some()) {
        let (unit, size, column) = stroke_unit(axis);
        list.add(
            format!("engine/holding/{}", slug(&axis.name)),
            (
                format!("With the {} free of its prop and a second means of holding in place, stop the engine and watch it for \
                    ten minutes.", axis.name),
                "The load-holding valve holds it; what it gives at first is the oil's.".to_owned(),
            ),
            Some(Reading::new("sunk by", unit, Some(0.0), Some(size * axis.watch.give))),
            &["engine/dump", "engine/stop"],
            &format!("{:?} {:?} {column}", axis.holding, axis.watch),
        );
    }
}
