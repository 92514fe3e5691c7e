//! What a page is told: once of the machine, many times a second of the moment. Lengths in millimetres, angles in degrees, pressures in bar.

use bellcrank_core::inputs::{Frame, Mode, Station};
use bellcrank_core::machine::AxisId;
use bellcrank_core::outputs::ValveSignal;
use bellcrank_machine::description::{Description, Shape, Zone};
use nalgebra::Vector3;
use serde::Serialize;

use super::desk::Asked;
use super::session::{STEPS, Session};
use super::why::{self, Wait};
use crate::clearance::{self, Least};
use crate::plant::Pose;
use crate::prove::catalogue::CATALOGUE;
use crate::report::units::{BAR, MM, stroke_unit};

/// What is told of a machine when a session begins.
#[derive(Debug, Serialize)]
pub struct MachineTold<'m> {
    kind: &'static str,
    /// Number of the session: whatever comes with another number is of another one.
    pub session: u32,
    machine: &'m str,
    /// Where it was read from, and whether that is a file that can be written to.
    pub file: &'m str,
    /// It is a file.
    pub given: bool,
    /// It has figures that no file has.
    pub tuned: bool,
    station: &'static str,
    remote: bool,
    mode: &'static str,
    tick_ms: f64,
    steps: i16,
    dead_zone: f64,
    eye: [f64; 3],
    yaw: f64,
    axes: Vec<AxisTold<'m>>,
    arms: Vec<ArmTold<'m>>,
    zones: Vec<ZoneTold<'m>>,
    catalogue: Vec<EntryTold>,
    /// The figures that can be changed.
    pub figures: &'m [super::tune::Figure],
}

#[derive(Debug, Serialize)]
struct AxisTold<'m> {
    name: &'m str,
    unit: &'static str,
    lever: Option<usize>,
    range: [f64; 2],
    /// What the core believes: command at which it opens, points above that, rate at full command; extending, then retracting.
    deadband: [f64; 2],
    curve: [Vec<(f64, f64)>; 2],
    full: [f64; 2],
}

#[derive(Debug, Serialize)]
struct ArmTold<'m> {
    name: &'m str,
    levers: &'m [usize],
    /// Axis and radius of each of its parts, in the order in which the moments have them.
    parts: Vec<(usize, f64)>,
}

#[derive(Debug, Serialize)]
struct ZoneTold<'m> {
    name: &'m str,
    margin: f64,
    /// Where it is; none where a link carries it: then each moment tells.
    outline: Option<Outline>,
}

/// What a zone looks like, mm.
#[derive(Debug, Clone, Serialize)]
#[serde(untagged)]
enum Outline {
    /// The least convex body around these points, and whatever is within `radius` of it.
    Body { hull: Vec<[f64; 3]>, radius: f64 },
    /// All behind a point, square to a unit vector out of the zone.
    Plane { point: [f64; 3], outward: [f64; 3] },
}

#[derive(Debug, Serialize)]
struct EntryTold {
    name: &'static str,
    about: &'static str,
    part: &'static str,
    amount: &'static str,
    mildest: f64,
    /// The axes that it can happen to; none where it is about none.
    axes: Option<Vec<usize>>,
}

/// Where a session's machine comes from.
#[derive(Debug, Clone, Copy)]
pub struct Origin<'m> {
    /// Number of the session.
    pub session: u32,
    /// The machine's file, or the name of a built-in one.
    pub file: &'m str,
    /// It is a file.
    pub given: bool,
    /// It has figures that no file has.
    pub tuned: bool,
    /// The figures that can be changed.
    pub figures: &'m [super::tune::Figure],
}

/// What is told of the machine of a session that is about to begin.
pub fn machine<'m>(session: &'m Session, origin: &Origin<'m>) -> MachineTold<'m> {
    let scenario = session.live.scenario();
    let machine = &*scenario.machine;
    let eye = machine.seat.position + Vector3::new(0.0, 0.0, 1.2);
    MachineTold {
        kind: "machine",
        session: origin.session,
        machine: &machine.name,
        file: origin.file,
        given: origin.given,
        tuned: origin.tuned,
        station: match scenario.station {
            Station::Seat => "seat",
            Station::Remote => "remote",
        },
        remote: machine.stations.remote.is_some(),
        mode: mode(scenario.mode),
        tick_ms: MM * machine.timing.tick,
        steps: STEPS,
        dead_zone: why::limits(machine, scenario.station).dead_zone,
        eye: mm(&eye),
        yaw: machine.seat.yaw,
        axes: machine.axes.iter().map(axis).collect(),
        arms: machine
            .arms
            .iter()
            .map(|arm| ArmTold {
                name: &arm.name,
                levers: &arm.levers,
                parts: clearance::parts(machine, arm, session.live.plant.pose())
                    .map(|part| (part.axis, round(MM * part.radius, 1.0)))
                    .collect(),
            })
            .collect(),
        zones: machine
            .zones
            .iter()
            .map(|described| zone(described, session.live.plant.pose()))
            .collect(),
        catalogue: catalogue(machine),
        figures: origin.figures,
    }
}

fn axis(axis: &bellcrank_machine::description::Axis) -> AxisTold<'_> {
    let (scale, unit) = stroke_unit(axis);
    let drive = &axis.drive;
    AxisTold {
        name: &axis.name,
        unit,
        lever: axis.lever,
        range: [axis.joint.range.0.to_degrees(), axis.joint.range.1.to_degrees()],
        deadband: drive.deadband.into(),
        curve: drive.curve.clone(),
        full: [scale * drive.full_rate.0, scale * drive.full_rate.1],
    }
}

fn zone<'m>(zone: &'m Zone, pose: &Pose) -> ZoneTold<'m> {
    ZoneTold {
        name: &zone.name,
        margin: MM * zone.margin,
        outline: zone.on.is_none().then(|| outline(zone, pose)),
    }
}

fn outline(zone: &Zone, pose: &Pose) -> Outline {
    let place = |point: &Vector3<f64>| mm(&zone.on.map_or(*point, |axis| pose.point(axis, point)));
    match &zone.shape {
        Shape::Box { min, max } => {
            let corner = |bits: usize| Vector3::from_fn(|k, _| if bits & (1 << k) == 0 { min[k] } else { max[k] });
            Outline::Body {
                hull: (0..8).map(|bits| place(&corner(bits))).collect(),
                radius: 0.0,
            }
        }
        Shape::Capsule { from, to, radius } => Outline::Body {
            hull: vec![place(from), place(to)],
            radius: round(MM * radius, 1.0),
        },
        Shape::HalfSpace { point, outward } => {
            let outward = zone.on.map_or(*outward, |axis| pose.rotation(axis) * outward);
            Outline::Plane {
                point: place(point),
                outward: outward.map(|share| round(share, 1e4)).into(),
            }
        }
    }
}

/// The entries that fit a machine.
fn catalogue(machine: &Description) -> Vec<EntryTold> {
    let told = CATALOGUE.iter().map(|entry| EntryTold {
        name: entry.name,
        about: entry.about,
        part: entry.subsystem.name(),
        amount: entry.amount,
        mildest: entry.mildest,
        axes: entry.on.map(|on| {
            let axes = machine.axes.iter().enumerate();
            axes.filter(|(_, axis)| on(axis)).map(|(number, _)| number).collect()
        }),
    });
    told.filter(|entry| entry.axes.as_ref().is_none_or(|axes| !axes.is_empty()))
        .collect()
}

/// One moment.
#[derive(Debug, Clone, Serialize)]
pub struct Moment {
    /// Time in the session, s.
    pub t: f64,
    state: String,
    latched: Option<String>,
    waits: Vec<Wait>,
    /// Valve power, dump valve closed, engine may run.
    relays: [bool; 3],
    /// Every valve is told to stay.
    neutral: bool,
    axes: Vec<AxisNow>,
    arms: Vec<ArmNow>,
    /// Where the zones are that links carry, in the order of the machine's.
    carried: Vec<Outline>,
    /// Pressure of the supply, bar.
    supply: f64,
    /// Least distance between the arms, mm.
    between: Option<f64>,
    /// Number of the message that the hands are from, and what they hold.
    heard: u64,
    silent: bool,
    stop: bool,
    enable: bool,
    reset: bool,
    mode: &'static str,
    frame: &'static str,
    slow: bool,
    levers: Vec<i16>,
    faults: Vec<FaultNow>,
}

#[derive(Debug, Clone, Serialize)]
struct AxisNow {
    /// Joint angle, deg; stroke and its rate; what was asked of that; command, opening, spool, -1 to 1; what its valve is told; pressures, bar.
    v: [f64; 10],
    held: Option<String>,
}

#[derive(Debug, Clone, Serialize)]
struct ArmNow {
    /// The ends of its parts, mm.
    parts: Vec<[f64; 6]>,
    tip: [f64; 3],
    /// Its velocity, and the one that the levers lead it at, mm/s.
    velocity: [f64; 3],
    led: Option<[f64; 3]>,
    /// What it may go at most as things are, mm/s.
    permitted: f64,
    clearance: Option<f64>,
    load: f64,
}

#[derive(Debug, Clone, Serialize)]
struct FaultNow {
    number: usize,
    what: String,
    ends: bool,
}

/// Tells moments, one after the other.
#[derive(Debug, Default)]
pub struct Teller {
    before: Option<(f64, Vec<Vector3<f64>>)>,
}

impl Teller {
    /// The moment that a session is at.
    pub fn moment(&mut self, session: &Session, core: &bellcrank_core::Machine, asked: &Asked) -> Moment {
        let live = &session.live;
        let scenario = live.scenario();
        let machine = &*scenario.machine;
        let (t, status) = (live.time(), &live.outputs.status);
        let mut least = Least::of(machine);
        least.look(machine, live.plant.pose());
        let held = asked.held;
        let latched = status.cause.map(|cause| {
            let axis = status.axis.and_then(|axis| machine.axes.get(axis.index()));
            axis.map_or_else(|| cause.to_string(), |axis| format!("{cause} ({})", axis.name))
        });
        let neutral = core
            .axes()
            .all(|(id, axis)| live.outputs.valves.get(id) == ValveSignal::stay(&axis.channel));
        let relays = live.outputs.relays;
        Moment {
            t: round(t, 1e3),
            state: status.state.to_string(),
            latched,
            waits: why::waits(machine, scenario.station, &live.controller, status, asked),
            relays: [relays.valve_power, relays.dump_closed, relays.engine_run],
            neutral,
            axes: axes(session),
            arms: self.arms(session, asked, &least),
            carried: machine
                .zones
                .iter()
                .filter(|zone| zone.on.is_some())
                .map(|zone| outline(zone, live.plant.pose()))
                .collect(),
            supply: round(BAR * live.plant.supply_pressure(), 10.0),
            between: least.between_arms.map(|least| round(MM * least, 1.0)),
            heard: asked.number,
            silent: held.is_none(),
            stop: asked.stop,
            enable: held.is_some_and(|held| held.enable),
            reset: held.is_some_and(|held| held.reset),
            mode: mode(held.map_or(scenario.mode, |held| held.mode)),
            frame: frame(held.map_or(Frame::Machine, |held| held.frame)),
            slow: held.is_some_and(|held| held.slow),
            levers: held.map_or_else(Vec::new, |held| held.levers.to_vec()),
            faults: faults(session, t),
        }
    }

    fn arms(&mut self, session: &Session, asked: &Asked, least: &Least) -> Vec<ArmNow> {
        let live = &session.live;
        let (machine, t) = (&*live.scenario().machine, live.time());
        let (pose, led) = (live.plant.pose(), live.controller.last_tick().tip_velocities);
        let limits = why::limits(machine, live.scenario().station);
        let slow = if asked.held.is_some_and(|held| held.slow) {
            limits.slow_share
        } else {
            1.0
        };
        let tips: Vec<_> = machine.arms.iter().map(|arm| pose.tip(machine, arm)).collect();
        let arms = machine.arms.iter().enumerate();
        let told = arms
            .map(|(number, arm)| {
                let velocity = self
                    .before
                    .as_ref()
                    .filter(|(before, _)| t > *before)
                    .map_or_else(Vector3::zeros, |(before, from)| {
                        (tips[number] - from[number]) / (t - before)
                    });
                let fastest = arm.tip_speed * limits.speed_cap;
                let fastest = limits.tip_speed.map_or(fastest, |most| most.min(fastest)) * slow;
                ArmNow {
                    parts: clearance::parts(machine, arm, pose)
                        .map(|part| {
                            let ([a, b, c], [d, e, f]) = (mm(&part.line.0), mm(&part.line.1));
                            [a, b, c, d, e, f]
                        })
                        .collect(),
                    tip: mm(&tips[number]),
                    velocity: mm(&velocity),
                    led: led
                        .get(number)
                        .copied()
                        .flatten()
                        .map(|led| led.map(|v| round(1e3 * f64::from(v), 1.0))),
                    permitted: round(MM * fastest, 1.0),
                    clearance: least.arms[number].map(|least| round(MM * least, 1.0)),
                    load: session.hung(number),
                }
            })
            .collect();
        self.before = Some((t, tips));
        told
    }
}

fn axes(session: &Session) -> Vec<AxisNow> {
    let live = &session.live;
    let machine = &*live.scenario().machine;
    let last = live.controller.last_tick();
    let axes = machine.axes.iter().enumerate();
    axes.filter_map(|(number, axis)| {
        let id = AxisId::new(number)?;
        let (view, driven) = (live.plant.axis(number), last.driven.axes.get(id));
        let (scale, _) = stroke_unit(axis);
        Some(AxisNow {
            v: [
                round(view.angle.to_degrees(), 100.0),
                round(scale * view.stroke, 10.0),
                round(scale * view.stroke_rate, 10.0),
                round(scale * f64::from(driven.asked), 10.0),
                round(driven.command.into(), 1e3),
                round(driven.opening.into(), 1e3),
                round(view.spool, 1e3),
                round(live.outputs.valves.get(id).number().into(), 1e4),
                round(BAR * view.pressure_a, 10.0),
                round(BAR * view.pressure_b, 10.0),
            ],
            held: last.guarded.axes.get(id).map(|held| why::held_back(machine, held)),
        })
    })
    .collect()
}

fn faults(session: &Session, t: f64) -> Vec<FaultNow> {
    let scenario = session.live.scenario();
    let on = scenario.faults.iter().enumerate().filter(|(_, fault)| fault.on(t));
    on.map(|(number, fault)| {
        let axis = crate::report::panels::at_fault(&fault.kind).and_then(|axis| scenario.machine.axes.get(axis));
        let kind = fault.kind.name().replace('_', " ");
        FaultNow {
            number,
            what: axis.map_or(kind.clone(), |axis| format!("{kind}, {}", axis.name)),
            ends: session.can_mend(number),
        }
    })
    .collect()
}

fn mode(mode: Mode) -> &'static str {
    match mode {
        Mode::Joint => "joint",
        Mode::Tip => "tip",
        Mode::Carry => "carry",
    }
}

fn frame(frame: Frame) -> &'static str {
    match frame {
        Frame::Machine => "machine",
        Frame::Seat => "seat",
        Frame::Tool => "tool",
    }
}

fn mm(point: &Vector3<f64>) -> [f64; 3] {
    point.map(|x| round(MM * x, 1.0)).into()
}

/// To so many parts of one: a page needs no more.
fn round(value: f64, parts: f64) -> f64 {
    (parts * value).round() / parts
}
