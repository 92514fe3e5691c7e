//! Mappings: those that come with the software, and what is wrong with others.

use bellcrank_machine::document::Complaints;

use super::*;

const IMAGE: &str = "yard-digger-image";
const MODBUS: &str = "yard-digger-modbus";

fn text(name: &str) -> &'static str {
    BUILTIN.iter().find(|(known, _)| *known == name).unwrap().1
}

/// A mapping for the machine that it names, this text of it changed.
fn changed(name: &str, from: &str, to: &str) -> Result<Mapping, Complaints> {
    let text = text(name);
    assert!(text.contains(from), "{from} is not in {name}");
    read_for(&text.replace(from, to), str::to_owned)
}

fn read_for(text: &str, machine: impl Fn(&str) -> String) -> Result<Mapping, Complaints> {
    let named = machine_of("m.toml", text).unwrap();
    let of_machine = machine(bellcrank_machine::builtin(&named).unwrap());
    let description = bellcrank_machine::read(&named, &of_machine).unwrap();
    let names: Vec<String> = description.axes.iter().map(|axis| axis.name.clone()).collect();
    let machine = bellcrank_machine::build(&description).unwrap();
    let wanted = Wanted {
        machine: &machine,
        names: &names,
    };
    read("m.toml", text, wanted)
}

/// What is said about a mapping, a line each.
#[track_caller]
fn said(name: &str, from: &str, to: &str) -> Vec<String> {
    let complaints = changed(name, from, to).expect_err("a mistake");
    complaints.list().iter().map(ToString::to_string).collect()
}

/// The one thing that is said.
#[track_caller]
fn one(name: &str, from: &str, to: &str, wanted: &str) {
    let said = said(name, from, to);
    assert!(said.len() == 1 && said[0].contains(wanted), "{said:#?}");
}

#[test]
fn each_that_comes_with_the_software_fits_its_machine() {
    for (name, text) in BUILTIN {
        let mapping = read_for(text, str::to_owned).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(name.starts_with(&mapping.machine), "{name}: {}", mapping.machine);
    }
}

#[test]
fn an_image_of_zeros_has_everything_off() {
    for (name, text) in BUILTIN {
        let mapping = read_for(text, str::to_owned).unwrap();
        let zeros = vec![0; mapping.output_bytes];
        for axis in &mapping.axes {
            let value = match axis.valve {
                ValvePlaces::Duty(at) | ValvePlaces::Voltage(at) => at.get(&zeros),
                ValvePlaces::Coils(out, inward) => out.get(&zeros).max(inward.get(&zeros)),
            };
            assert!(value.abs() < 1e-9, "{name}, {}: {value}", axis.name);
        }
    }
}

#[test]
fn each_thing_that_the_machine_wants_and_the_mapping_lacks_is_one_message() {
    for (from, wanted) in [
        (
            "stop_second = { byte = 0, bit = 1 }\n",
            "panel / stop_second: found nothing",
        ),
        ("reset = { byte = 0, bit = 2 }\n", "panel / reset: found nothing"),
        ("working = { byte = 0, bit = 3 }\n", "panel / working: found nothing"),
        (
            "remote_selected = { byte = 0, bit = 4 }\n",
            "panel / remote_selected: found nothing",
        ),
        (
            "contact = { byte = 0, bit = 6 }\n",
            "relay / dump / contact: found nothing",
        ),
        (
            "enable = { byte = 1, bit = 0 }\n",
            "station / seat / enable: found nothing",
        ),
        ("echo = { byte = 4, format = \"u16\" }\n", "life / echo: found nothing"),
        ("watchdog_ms = 60\n", "io / watchdog_ms: found nothing"),
    ] {
        one(IMAGE, from, "", wanted);
    }
    let axis = "[axis.boom]\nsensor = { byte = 10, format = \"u16\", low_raw = 0, high_raw = 32767, low_v = 0, high_v = 10 }\n\
        valve = { byte = 6, format = \"u16\", low_raw = 0, high_raw = 32767, low_percent = 0, high_percent = 100 }\n";
    one(IMAGE, axis, "", "nothing for axis \"boom\"");
    let lever = "[station.seat.lever.2]\nat = { byte = 20, format = \"u16\", low_raw = 0, high_raw = 32767, low_v = 0, high_v = 10 }\n\
        low_centre_high_v = [0.5, 2.5, 4.5]\nfault_v = [0.2, 4.8]\n";
    one(IMAGE, lever, "", "nothing for lever 2");
}

/// A machine without remote, key, control voltage and feedback contacts wants none of them.
#[test]
fn what_the_machine_has_not_may_be_left_out() {
    let drop = |text: &str, from: &str, to: &str| {
        let start = text.find(from).unwrap();
        let end = start + text[start..].find(to).unwrap();
        format!("{}{}", &text[..start], &text[end..])
    };
    let mut text = text(IMAGE).replace(
        "working = { byte = 0, bit = 3 }\nremote_selected = { byte = 0, bit = 4 }\n",
        "",
    );
    for bit in 5..8 {
        text = text.replace(&format!("contact = {{ byte = 0, bit = {bit} }}\n"), "");
    }
    text = drop(&text, "[supply]", "# Relays");
    text.truncate(text.find("[station.remote]").unwrap());
    let bare = |machine: &str| {
        let machine = drop(machine, "[station.remote]", "# Where the seat");
        machine
            .replace("supply_v = [20.4, 28.8]\nrelay_ms = 100\n", "")
            .replace("commissioning_mm_s = 250\n", "")
    };
    let mapping = read_for(&text, bare).unwrap_or_else(|error| panic!("{error}"));
    assert!(mapping.remote.is_none() && mapping.supply.is_none() && mapping.working.is_none());
    let lacking = read_for(&text, str::to_owned).unwrap_err();
    assert_eq!(lacking.list().len(), 7, "{lacking}");
}

#[test]
fn no_place_is_taken_twice_or_outside_of_its_image() {
    for (name, from, to, wanted) in [
        (
            IMAGE,
            "reset = { byte = 0, bit = 2 }",
            "reset = { byte = 0, bit = 1 }",
            "a place of its own: stop_second has it",
        ),
        (
            IMAGE,
            "sensor = { byte = 12,",
            "sensor = { byte = 11,",
            "a place of its own: sensor of boom has it",
        ),
        (
            IMAGE,
            "valve = { byte = 10,",
            "valve = { byte = 11,",
            "wanted a whole number from 0 to 10",
        ),
        (
            IMAGE,
            "reset = { byte = 0, bit = 2 }",
            "reset = { byte = 32, bit = 2 }",
            "wanted a whole number from 0 to 31",
        ),
        (
            IMAGE,
            "outputs_at = 32",
            "outputs_at = 31",
            "outside of the image that is read, 0 to 31",
        ),
        (
            MODBUS,
            "reset = { discrete = 2 }",
            "reset = { discrete = 24 }",
            "wanted a whole number from 0 to 23",
        ),
        (
            MODBUS,
            "reset = { discrete = 2 }",
            "reset = { register = 0, bit = 3 }",
            "a place of its own: life echo has it",
        ),
        (
            MODBUS,
            "told = { coil = 2 }",
            "told = { coil = 1 }",
            "a place of its own: relay dump has it",
        ),
        (
            MODBUS,
            "told = { register = 0, format",
            "told = { register = 5, format",
            "wanted a whole number from 0 to 4",
        ),
    ] {
        one(name, from, to, wanted);
    }
}

#[test]
fn a_scale_has_to_suit_its_valve_and_its_format() {
    let valve =
        "valve = { byte = 4, format = \"u16\", low_raw = 0, high_raw = 32767, low_percent = 0, high_percent = 100 }";
    for (to, wanted) in [
        (
            "high_percent = 80",
            "to 90 or more, from 10 or less: that is what the machine's valve wants",
        ),
        (
            "low_percent = 10, high_percent = 100",
            "one that has 0 at 0: terminals that lose their controller put out zeros",
        ),
        ("low_percent = 100, high_percent = 0", "more than low_percent (100)"),
    ] {
        let scale = valve.find("low_percent = 0").unwrap();
        let scale = if to.starts_with("high") {
            valve.replace("high_percent = 100", to)
        } else {
            format!("{}{to} }}", &valve[..scale])
        };
        one(IMAGE, valve, &scale, wanted);
    }
    one(
        IMAGE,
        valve,
        &valve.replace("32767", "70000"),
        "what \"u16\" holds, 0 to 65535",
    );
    one(
        MODBUS,
        "high_raw = 32767\nlow_v = 0",
        "high_raw = 0\nlow_v = 0",
        "more than low_raw (0)",
    );
}

#[test]
fn times_that_no_loop_keeps_are_refused() {
    one(
        IMAGE,
        "life_ms = 40",
        "life_ms = 3",
        "two ticks of the machine at the least, 4 ms",
    );
    one(
        IMAGE,
        "watchdog_ms = 60",
        "watchdog_ms = 1",
        "two ticks of the machine at the least, 4 ms",
    );
}

#[test]
fn what_is_not_known_is_told_with_what_is() {
    for (name, from, to, wanted) in [
        (IMAGE, "[axis.boom]", "[axis.bom]", "an axis that the machine has not"),
        (
            IMAGE,
            "kind = \"image\"",
            "kind = \"imagine\"",
            "\"image\" or \"modbus\"",
        ),
        (MODBUS, "127.0.0.1:1502", "coupler:502", "an IP address and a port"),
        (
            MODBUS,
            "coils = [0, 8]",
            "coils = [0, 0]",
            "the first address, and how many there are",
        ),
        (
            IMAGE,
            "[station.seat.lever.0]",
            "[station.seat.lever.17]",
            "a number from 0 to 15",
        ),
        (IMAGE, "[0.5, 2.5, 4.5]", "[2.5, 0.5, 4.5]", "three voltages that rise"),
    ] {
        let said = said(name, from, to);
        assert!(said.iter().any(|line| line.contains(wanted)), "{said:#?}");
    }
}

/// A bit of a register stands in its high byte from 8 on, since registers come high byte first.
#[test]
fn a_contact_may_stand_in_a_register() {
    let with = |to| {
        changed(MODBUS, "input_registers = [0, 14]", "input_registers = [0, 16]").and_then(|_| {
            let text = text(MODBUS)
                .replace("[0, 14]", "[0, 16]")
                .replace("reset = { discrete = 2 }", to);
            read_for(&text, str::to_owned)
        })
    };
    let low = with("reset = { register = 15, bit = 3 }").unwrap();
    let high = with("reset = { register = 15, bit = 11 }").unwrap();
    assert_eq!(
        (low.reset, high.reset),
        (Bit { byte: 31, bit: 3 }, Bit { byte: 30, bit: 3 })
    );
}

/// 4 to 20 mA over a shunt of 400 ohm.
#[test]
fn a_current_is_what_it_makes_over_the_shunt() {
    let mapping = read_for(text("drystone-setter-image"), str::to_owned).unwrap();
    let reach = mapping.axes.iter().find(|axis| axis.name == "left reach").unwrap();
    let near = |found: f64, wanted: f64| assert!((found - wanted).abs() < 1e-6, "{found}, wanted {wanted}");
    near(reach.sensor.means.0, 1.6);
    near(reach.sensor.means.1, 8.0);
}

#[test]
fn a_pad_needs_a_button_to_enable_and_one_to_stop() {
    let text = text(IMAGE);
    let start = text.find("[station.remote]").unwrap();
    let pad = "[station.remote]\nkind = \"pad\"\nenable = \"right_trigger\"\nstop = \"start\"\n";
    let lever = |lever: usize| {
        format!(
            "[station.remote.lever.{lever}]\naxis = \"left_{}\"\nreversed = true\n",
            ["x", "y"][lever % 2]
        )
    };
    let levers = (0..4).map(lever).collect::<Vec<_>>().concat();
    let whole = format!("{}{pad}{levers}", &text[..start]);
    let mapping = read_for(&whole, str::to_owned).unwrap_or_else(|error| panic!("{error}"));
    let Some(StationPlaces::Pad(places)) = &mapping.remote else {
        panic!("a pad")
    };
    assert!(places.levers.len() == 4 && places.levers[1].axis == PadAxis::LeftY && places.levers[0].reversed);
    for lacking in ["enable = \"right_trigger\"\n", "stop = \"start\"\n"] {
        let error = read_for(&whole.replace(lacking, ""), str::to_owned).unwrap_err();
        assert_eq!(error.list().len(), 1, "{error}");
    }
}
