//! The mapping file: what it may say, and what it may not.
//!
//! | key | when left out |
//! |---|---|
//! | `io.order` | `little` in a process image, `high_word_first` with Modbus |
//! | `io.input_registers`, `discrete_inputs`, `holding_registers`, `coils` | the server has none |
//! | `[life]` | with Modbus an answer is a sign of life; in a process image it must be there |
//! | `panel.working`, `panel.remote_selected`, `[supply]`, `relay.NAME.contact` | they are not there: refused where the machine wants them |
//! | `station.NAME.mode` | `joint` |
//! | `station.NAME.heard`, `stop`, `slow`, `tip` | what the levers say is always heard; no button of its own; never slow; always in `mode` |
//! | `order` of a word | that of `[io]` |

use std::net::SocketAddr;
use std::ops::RangeInclusive;
use std::path::PathBuf;
use std::time::Duration;

use bellcrank_core::machine::{Axis, Channel, Signal};
use bellcrank_machine::document::{self, Complaints, Table};

use super::claims::{Claims, Side};
use super::frame::{Area, Frame, Unit};
use super::place::{Analogue, Format, Order};
use super::{
    AxisPlaces, LifePlaces, Mapping, ModbusPlaces, RelayPlaces, Span, Terminals, ValvePlaces, Wanted, stations,
};

/// Longest image of either direction in a file, bytes.
const IMAGE_MAX: usize = 4096;
/// Most registers and bits of one request (Modbus application protocol V1.1b3, sections 6.2, 6.4, 6.11, 6.12).
const REGISTERS_READ: u16 = 125;
const REGISTERS_WRITTEN: u16 = 123;
const BITS_READ: u16 = 2000;
const BITS_WRITTEN: u16 = 1968;

/// Reads a mapping for a machine; `file` is the name that complaints carry.
///
/// # Errors
/// All mistakes of the file: places that are taken twice or do not exist, and everything that the machine wants and the file lacks.
pub fn read(file: &str, text: &str, wanted: Wanted) -> Result<Mapping, Complaints> {
    document::read(file, text, |t| mapping(t, wanted))
}

/// The machine that a mapping names, whatever else is wrong with it.
///
/// # Errors
/// It names none, or is no TOML.
pub fn machine_of(file: &str, text: &str) -> Result<String, Complaints> {
    document::read(file, text, |t| {
        t.pass_over_rest();
        t.text("machine")
    })
}

fn mapping(t: &Table, wanted: Wanted) -> Mapping {
    let machine = wanted.machine;
    let name = t.text("name");
    let for_machine = t.text("machine");
    let (terminals, areas, order, times) = t.table("io", io);
    let frame = Frame {
        order,
        areas,
        claims: Claims::default(),
    };
    let tick = Duration::from_micros(machine.timing().tick.as_ticks().into());
    for (key, time) in [("io / life_ms", times.0), ("io / watchdog_ms", times.1)] {
        if time < 2 * tick && t.clean() {
            t.wrong(
                key,
                format!(
                    "two ticks of the machine at the least, {:.0} ms",
                    tick.as_secs_f64() * 2e3
                ),
            );
        }
    }
    let life_needed = matches!(terminals, Some(Terminals::Image { .. }) | None);
    let life = need(t, "life", life_needed).map(|key| t.table(key, |t| life(t, &frame)));
    let (stop_chain, reset, remote_selected, working) = t.table("panel", |t| {
        let selector = need(t, "remote_selected", machine.remote().is_some());
        let key = need(t, "working", machine.commissioning_speed().is_some());
        (
            ["stop_first", "stop_second"].map(|key| t.table(key, |t| frame.bit(t, Side::Input, key))),
            t.table("reset", |t| frame.bit(t, Side::Input, "reset")),
            selector.map(|key| t.table(key, |t| frame.bit(t, Side::Input, key))),
            key.map(|key| t.table(key, |t| frame.bit(t, Side::Input, key))),
        )
    });
    let supply = need(t, "supply", machine.control_supply().is_some())
        .map(|key| t.table(key, |t| frame.analogue(t, Side::Input, "supply", Unit::Volts)));
    let contacts = machine.timing().relay.is_some();
    let relays = t.table("relay", |t| {
        ["valve_power", "dump", "engine"].map(|key| t.table(key, |t| relay(t, &frame, key, contacts)))
    });
    let axes = axes(t, &frame, wanted);
    let (seat, remote) = t.table("station", |t| {
        let seat = t.table("seat", |t| stations::station(t, &frame, wanted, "seat"));
        let remote = need(t, "remote", machine.remote().is_some());
        let remote = remote.map(|key| t.table(key, |t| stations::station(t, &frame, wanted, key)));
        (seat, remote)
    });
    let stand_in = Terminals::Image {
        file: PathBuf::new(),
        inputs_at: 0,
        outputs_at: 0,
    };
    Mapping {
        name,
        machine: for_machine,
        terminals: terminals.unwrap_or(stand_in),
        input_bytes: areas[0].bytes(),
        output_bytes: areas[1].bytes(),
        life,
        life_within: times.0,
        watchdog: times.1,
        stop_chain,
        reset,
        remote_selected,
        working,
        supply,
        relays,
        axes,
        seat,
        remote,
    }
}

/// A key that may be left out unless the machine wants it.
pub(super) fn need(t: &Table, key: &'static str, wanted: bool) -> Option<&'static str> {
    if wanted { Some(key) } else { t.optional(key) }
}

/// How the images come and go; the two images; the order of their bytes; the times for a sign of life and of the watchdog.
fn io(t: &Table) -> (Option<Terminals>, [Area; 2], Order, (Duration, Duration)) {
    #[derive(Clone, Copy)]
    enum Kind {
        Image,
        Modbus,
    }
    let times = (
        time(t, "life_ms", 1.0..=10_000.0),
        time(t, "watchdog_ms", 1.0..=10_000.0),
    );
    let nothing = [Area::Bytes(IMAGE_MAX); 2];
    match t.choice("kind", &[("image", Kind::Image), ("modbus", Kind::Modbus)]) {
        Some(Kind::Image) => {
            let orders = [("little", Order::Little), ("big", Order::Big)];
            let order = t.optional("order").and_then(|key| t.choice(key, &orders));
            let (terminals, areas) = image(t);
            (Some(terminals), areas, order.unwrap_or(Order::Little), times)
        }
        Some(Kind::Modbus) => {
            let orders = [("high_word_first", Order::Big), ("low_word_first", Order::LowWordFirst)];
            let order = t.optional("order").and_then(|key| t.choice(key, &orders));
            let (places, areas) = modbus(t);
            (
                Some(Terminals::Modbus(places)),
                areas,
                order.unwrap_or(Order::Big),
                times,
            )
        }
        None => {
            t.pass_over_rest();
            (None, nothing, Order::Little, times)
        }
    }
}

fn image(t: &Table) -> (Terminals, [Area; 2]) {
    let file = PathBuf::from(t.text("file"));
    let [inputs_at, outputs_at] = ["inputs_at", "outputs_at"].map(|key| t.whole(key, 0..=1_000_000_u64));
    let lengths = ["input_bytes", "output_bytes"].map(|key| t.whole(key, 1..=IMAGE_MAX));
    let [inputs, outputs] =
        [(inputs_at, lengths[0]), (outputs_at, lengths[1])].map(|(at, bytes)| at..at + bytes as u64);
    if t.clean() && inputs.start < outputs.end && outputs.start < inputs.end {
        let wanted = format!(
            "outside of the image that is read, {} to {}",
            inputs.start,
            inputs.end - 1
        );
        t.wrong("outputs_at", wanted);
    }
    let terminals = Terminals::Image {
        file,
        inputs_at,
        outputs_at,
    };
    (terminals, lengths.map(Area::Bytes))
}

fn modbus(t: &Table) -> (ModbusPlaces, [Area; 2]) {
    let address = t.text("address");
    let parsed: Option<SocketAddr> = address.parse().ok();
    if parsed.is_none() && !address.is_empty() {
        t.wrong("address", "an IP address and a port, as in \"192.168.0.20:502\"");
    }
    let span = |key, most| t.optional(key).map_or_else(Span::default, |key| span(t, key, most));
    let places = ModbusPlaces {
        address: parsed.unwrap_or_else(|| SocketAddr::from(([0, 0, 0, 0], 0))),
        unit: t.whole("unit", 0..=255),
        input_registers: span("input_registers", REGISTERS_READ),
        discretes: span("discrete_inputs", BITS_READ),
        holding_registers: span("holding_registers", REGISTERS_WRITTEN),
        coils: span("coils", BITS_WRITTEN),
        every: time(t, "every_ms", 0.5..=1000.0),
        answer: time(t, "answer_ms", 1.0..=10_000.0),
    };
    let areas = [
        Area::Modbus {
            registers: places.input_registers,
            bits: places.discretes,
        },
        Area::Modbus {
            registers: places.holding_registers,
            bits: places.coils,
        },
    ];
    (places, areas)
}

/// The first address and how many.
fn span(t: &Table, key: &'static str, most: u16) -> Span {
    let numbers = t.wholes(key, 0..=65_535_u32);
    let wanted = || format!("the first address, and how many there are, 1 to {most}");
    let span = match numbers[..] {
        [first, count] if (1..=u32::from(most)).contains(&count) && first + count <= 65_536 => Some((first, count)),
        _ => None,
    };
    let narrow = |number: u32| u16::try_from(number).ok();
    span.and_then(|(first, count)| {
        Some(Span {
            first: narrow(first)?,
            count: narrow(count)?,
        })
    })
    .unwrap_or_else(|| {
        if t.clean() {
            t.wrong(key, wanted());
        }
        Span::default()
    })
}

fn time(t: &Table, key: &'static str, range: RangeInclusive<f64>) -> Duration {
    Duration::try_from_secs_f64(t.number(key, range)).unwrap_or(Duration::MAX)
}

fn life(t: &Table, frame: &Frame) -> LifePlaces {
    let counter = |t: &Table, side, who| {
        let word = frame.word(t, side, who);
        if matches!(word.format, Format::I16 | Format::I32 | Format::F32) {
            t.wrong(
                "format",
                "\"u8\" or \"u16\" or \"u32\": it counts up and begins again at 0",
            );
        }
        word
    };
    let told = t.table("told", |t| counter(t, Side::Output, "life told"));
    let echo = t.table("echo", |t| counter(t, Side::Input, "life echo"));
    if t.clean() && told.format.bytes() != echo.format.bytes() {
        t.wrong("echo / format", format!("that of told, {}", t.words("told / format")));
    }
    LifePlaces { told, echo }
}

fn relay(t: &Table, frame: &Frame, name: &str, contact: bool) -> RelayPlaces {
    let contact = need(t, "contact", contact);
    RelayPlaces {
        told: t.table("told", |t| frame.bit(t, Side::Output, &format!("relay {name}"))),
        contact: contact.map(|key| t.table(key, |t| frame.bit(t, Side::Input, &format!("contact of {name}")))),
    }
}

fn axes(t: &Table, frame: &Frame, wanted: Wanted) -> Vec<AxisPlaces> {
    let known = || {
        wanted
            .names
            .iter()
            .map(|name| format!("{name:?}"))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let mut found: Vec<Option<AxisPlaces>> = vec![None; wanted.names.len()];
    t.named_tables("axis", |name, t| {
        let known_axis = wanted.axes().find(|(_, known, _)| *known == name);
        if let Some((id, _, axis)) = known_axis {
            found[id.index()] = Some(axis_places(t, frame, name, axis));
        } else {
            t.pass_over_rest();
            t.complain("", "an axis that the machine has not", format!("one of {}", known()));
        }
    });
    for (name, places) in wanted.names.iter().zip(&found) {
        if places.is_none() {
            let wanted = format!("[axis.{name:?}] with its sensor and its valve");
            t.complain("axis", format!("nothing for axis {name:?}"), wanted);
        }
    }
    found.into_iter().flatten().collect()
}

fn axis_places(t: &Table, frame: &Frame, name: &str, axis: &Axis) -> AxisPlaces {
    let at = |t: &Table, what: &str, signal| {
        let unit = match signal {
            Signal::Current { .. } if t.optional("low_ma").is_some() => Unit::Amps,
            _ => Unit::Volts,
        };
        let found = frame.analogue(t, Side::Input, &format!("{what} of {name}"), unit);
        // The board reads volts: a current is what it makes over the shunt.
        match signal {
            Signal::Current { shunt } if unit == Unit::Amps => {
                let ohms = f64::from(shunt.ohms());
                Analogue {
                    means: (found.means.0 * ohms, found.means.1 * ohms),
                    ..found
                }
            }
            _ => found,
        }
    };
    let fed = |signal| matches!(signal, Signal::Ratiometric { .. });
    let twin = axis.twin.as_ref().map(|twin| twin.sensor.signal);
    let excitation = need(t, "excitation", fed(axis.sensor.signal) || twin.is_some_and(fed));
    AxisPlaces {
        name: name.to_owned(),
        sensor: t.table("sensor", |t| at(t, "sensor", axis.sensor.signal)),
        twin: twin.map(|signal| t.table("twin", |t| at(t, "twin", signal))),
        excitation: excitation.map(|key| t.table(key, |t| at(t, key, Signal::Voltage))),
        valve: valve(t, frame, name, &axis.channel),
    }
}

fn valve(t: &Table, frame: &Frame, name: &str, channel: &Channel) -> ValvePlaces {
    let out = |key: &'static str, unit: Unit, (low, high): (f32, f32)| {
        t.table(key, |t| {
            let found = frame.analogue(t, Side::Output, &format!("{key} of {name}"), unit);
            let (low, high) = (f64::from(low), f64::from(high));
            // A rounding of the file's own numbers is no shortfall.
            let slack = 1e-6 * (high - low);
            let short = found.means.0 > low + slack || found.means.1 < high - slack;
            if t.clean() && short {
                let (keys, size) = unit.keys();
                let round = |number: f64| (number / size * 1e4).round() / 1e4;
                let (low, high) = (round(low), round(high));
                let reach = format!("to {high} or more, from {low} or less: that is what the machine's valve wants");
                t.wrong(keys[1], reach);
            }
            found
        })
    };
    match *channel {
        Channel::Pwm(pwm) => ValvePlaces::Duty(out("valve", Unit::Share, (pwm.low, pwm.high))),
        Channel::Voltage(voltage) => ValvePlaces::Voltage(out("valve", Unit::Volts, (-voltage.full, voltage.full))),
        Channel::Coils(coils) => ValvePlaces::Coils(
            out("coil_out", Unit::Amps, (0.0, coils.full.out)),
            out("coil_in", Unit::Amps, (0.0, coils.full.inward)),
        ),
    }
}
