//! What a machine file says, once read and checked: plain f64 values in SI units.
//!
//! The file carries the unit in each key (`bore_mm`, `flow_lpm`, `range_deg`); here everything is metres, radians,
//! kilograms, seconds, pascals, volts and m³/s. The core's `Machine` is made from this, and so is the simulated plant: the
//! first from what the integrator *believes* (`drive`, `sensor`, `channel`, `watch`), the second from what *is* there
//! (`joint`, `linkage`, `actuator`, `valve`, `supply`, `oil`).
//!
//! Frames: right-handed, x forward, y left, z up. At joint angle zero all frames are parallel to the machine frame.
//! A positive angle turns by the right-hand rule, so about y a positive angle lowers a link that points along +x.

mod hydraulics;
mod sensor;

use nalgebra::{Vector2, Vector3};

pub use hydraulics::{
    Actuator, ActuatorKind, Answer, Engine, Holding, HoldingKind, Notches, Oil, PumpControl, Supply, Valve,
};

pub use sensor::{Sensor, Signal, Twin};

/// A whole machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Description {
    /// What the machine is called.
    pub name: String,
    /// The tick and the times the core must keep.
    pub timing: Timing,
    /// What feeds the controller and what watches over it.
    pub control: Control,
    /// Where the seat is and where it looks.
    pub seat: SeatPlace,
    /// Hand-control stations. The seat is always there; `remote` only where the machine has a radio link.
    pub stations: Stations,
    /// What turns the pumps. None: something that never slows down.
    pub engine: Option<Engine>,
    /// Pump, relief and dump valve.
    pub supply: Supply,
    /// A second pump with a circuit of its own.
    pub second_supply: Option<Supply>,
    /// The oil.
    pub oil: Oil,
    /// What the arms stand on. None where the file does not say: tipping is then not looked at.
    pub carrier: Option<Carrier>,
    /// All axes, in the order in which the controller's channels are numbered.
    pub axes: Vec<Axis>,
    /// The arms that the axes make up.
    pub arms: Vec<Arm>,
    /// Volumes that no arm part may enter.
    pub zones: Vec<Zone>,
    /// What the guard keeps beside the zones.
    pub guard: Guard,
}

impl Description {
    /// The supplies that there are: one or two.
    pub fn supplies(&self) -> impl Iterator<Item = &Supply> {
        std::iter::once(&self.supply).chain(&self.second_supply)
    }

    /// The supply that feeds an axis.
    pub fn supply_of(&self, axis: &Axis) -> &Supply {
        match (axis.feed, &self.second_supply) {
            (Feed::Second, Some(second)) => second,
            _ => &self.supply,
        }
    }
}

/// Times that the core keeps, s.
#[derive(Debug, Clone, PartialEq)]
pub struct Timing {
    /// Period of the control loop.
    pub tick: f64,
    /// A tick that comes later than this after the one before it is a fault.
    pub tick_late: f64,
    /// One that comes sooner is a fault too.
    pub tick_early: f64,
    /// Time the two stop channels may differ before that is a fault.
    pub stop_discrepancy: f64,
    /// Time for which `enable` and `reset` must hold a level before it counts.
    pub debounce: f64,
    /// Longest a category 1 stop may ramp down before power is cut whether or not the ramp has worked.
    pub stop_budget: f64,
    /// From a command to the motion it causes: what the guard allows for before braking bites (`reaction_ms`).
    pub reaction: f64,
}

/// What feeds the controller, and what looks at it and what it looks at.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Control {
    /// Least and greatest voltage at which the controller and what it switches are sure to work, V. None: it is not read.
    pub supply: Option<(f64, f64)>,
    /// Time within which the feedback contact of each relay follows, s. None: there are no such contacts.
    pub relay: Option<f64>,
    /// The window of the external watchdog, s: it takes all power when it is fed sooner than the first or later than the second. None: there is none.
    pub watchdog: Option<(f64, f64)>,
    /// Longest test pulse on the stop chain, s. 0: none.
    pub stop_pulse: f64,
}

/// The hand-control stations.
#[derive(Debug, Clone, PartialEq)]
pub struct Stations {
    /// The station at the seat.
    pub seat: Station,
    /// The wireless station.
    pub remote: Option<Station>,
}

/// One hand-control station.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// A frame older than this is a lost link, s.
    pub frame_late: f64,
    /// It must be heard whoever is in charge.
    pub required: bool,
    /// Share of full speed allowed from this station, 0 to 1.
    pub speed_cap: f64,
    /// Lever deflection, 0 to 1, below which a lever counts as neutral.
    pub dead_zone: f64,
    /// Greatest speed of a tip from this station, whatever its levers mean, m/s. None: as fast as it can.
    pub tip_speed: Option<f64>,
    /// How much finer a lever is near neutral: the share of it, 0 to 1, that goes with the cube of the deflection.
    pub expo: f64,
    /// Share of that speed, 0 to 1, that is left in slow mode.
    pub slow_share: f64,
}

/// What the guard keeps beside the zones.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Guard {
    /// Distance that the arms keep from each other, m. 0 where there is only one.
    pub arms_margin: f64,
    /// Greatest speed of a tip while the key is turned to commissioning, m/s. None: that key does nothing.
    pub commissioning_speed: Option<f64>,
}

/// Where whoever works the machine sits, and where the seat looks: the frame that "forward" and "left" can be told in.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SeatPlace {
    /// In the machine frame, m. On a slewing base: in that base's frame.
    pub position: Vector3<f64>,
    /// How far the seat is turned to the left from the machine's forward, rad.
    pub yaw: f64,
}

/// All that no joint moves, on the ground.
#[derive(Debug, Clone, PartialEq)]
pub struct Carrier {
    /// Mass with everything and everybody on it, the arms' links left out, kg.
    pub mass: f64,
    /// Centre of mass in the machine frame, m.
    pub centre: Vector3<f64>,
    /// Corners of the convex polygon that touches the ground (tracks, wheels, feet), seen from above, counter-clockwise, m.
    pub support: Vec<Vector2<f64>>,
    /// The core keeps this share of the moment with which the carrier alone stands on each edge, 0 to below 1.
    pub tip_margin: f64,
}

/// One driven joint with its linkage, actuator, valve section, sensor, output channel and what the core believes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// Unique name, as the event log and the reports print it.
    pub name: String,
    /// The joint and the rigid link behind it.
    pub joint: Joint,
    /// How the actuator turns the joint.
    pub linkage: Linkage,
    /// The cylinder or motor.
    pub actuator: Actuator,
    /// The valve section, as it is.
    pub valve: Valve,
    /// A load-holding valve between the section and the actuator.
    pub holding: Option<Holding>,
    /// The supply that feeds the section.
    pub feed: Feed,
    /// The length or angle sensor.
    pub sensor: Sensor,
    /// A second one on the same axis.
    pub twin: Option<Twin>,
    /// The PWM channel that commands the valve.
    pub channel: Channel,
    /// What the core believes of the valve, and how it drives it.
    pub drive: Drive,
    /// When the core calls something wrong.
    pub watch: Watch,
    /// Number of the lever that moves this axis in joint mode.
    pub lever: Option<usize>,
}

/// Which of the supplies feeds an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Feed {
    /// [`Description::supply`].
    #[default]
    First,
    /// [`Description::second_supply`].
    Second,
}

/// Direction of a joint's axis in its own frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JointAxis {
    /// Turns about x.
    X,
    /// Turns about y.
    Y,
    /// Turns about z.
    Z,
}

/// A revolute joint and the link that it carries.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// The axis about which the joint turns.
    pub axis: JointAxis,
    /// From this joint to the next (or to the tip), in the joint's frame, m.
    pub link: Vector3<f64>,
    /// Mass of the link, kg.
    pub mass: f64,
    /// Centre of mass in the joint's frame, m. Half of `link` where the file does not say.
    pub centre: Vector3<f64>,
    /// The link as a round bar along `link`: radius for its inertia and for its keep-out capsule, m.
    pub radius: f64,
    /// Least and greatest joint angle the core may use, rad.
    pub range: (f64, f64),
}

/// How stroke and joint angle belong together. Pins are given in the plane of the joint, see [`crate::geometry`].
#[derive(Debug, Clone, PartialEq)]
pub enum Linkage {
    /// Cylinder between a pin on the parent link and a pin on the child link: a triangle with the joint.
    Clevis {
        /// Barrel pin, seen from the joint, in the parent's axes, m.
        barrel_pin: Vector3<f64>,
        /// Rod pin, seen from the joint, in the child's axes, m.
        rod_pin: Vector3<f64>,
        /// Pin-to-pin length with the rod fully in, m.
        closed: f64,
    },
    /// The cylinder turns a rocker on the parent link; a coupler from the rocker turns the child.
    FourBar {
        /// Barrel pin, seen from the joint, in the parent's axes, m.
        barrel_pin: Vector3<f64>,
        /// Pivot of the rocker, seen from the joint, in the parent's axes, m.
        rocker_pivot: Vector3<f64>,
        /// Rocker pivot to the pin of the cylinder's rod, m.
        rocker_rod: f64,
        /// Rocker pivot to the pin of the coupler, m.
        rocker_coupler: f64,
        /// Angle on the rocker from its rod pin to its coupler pin, positive as the joint's angle, rad.
        rocker_angle: f64,
        /// Length of the coupler between its pins, m.
        coupler: f64,
        /// Pin of the coupler on the child, seen from the joint, in the child's axes, m.
        child_pin: Vector3<f64>,
        /// Pin-to-pin length of the cylinder with the rod fully in, m.
        closed: f64,
        /// Which of the two ways the bars can be put together.
        circuit: Circuit,
    },
    /// Rotary actuator or motor on the joint, sensor on the joint. Its stroke is the angle above `zero`, rad.
    Direct {
        /// Joint angle at stroke zero, rad.
        zero: f64,
    },
}

/// The two ways to put a four-bar together: coupler and ground do not cross, or do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Circuit {
    /// Coupler pin on the far side (textbooks: open).
    Open,
    /// Coupler pin on the near side (textbooks: crossed).
    Crossed,
}

/// What the core tells the valve by.
#[derive(Debug, Clone, PartialEq)]
pub enum Channel {
    /// A pulse width towards the valve's electronics, as shares of the period.
    Pwm {
        /// Duty that the valve takes as "stay".
        neutral: f64,
        /// Least and greatest legal duty; full retract and full extend.
        band: (f64, f64),
        /// A rising duty retracts instead of extends.
        reversed: bool,
    },
    /// The current of two coils.
    Coils {
        /// Current for full extend in the one, and for full retract in the other, A.
        full: (f64, f64),
    },
    /// A voltage of either sign towards the valve's electronics.
    Voltage {
        /// Voltage for full extend, and its negative for full retract, V.
        full: f64,
        /// A positive voltage retracts instead of extends.
        reversed: bool,
    },
}

/// What the core believes of the valve, and how it drives it.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// Command, share of full, at which motion starts when extending / retracting.
    pub deadband: (f64, f64),
    /// Stroke rate at full command when extending / retracting, m/s.
    pub full_rate: (f64, f64),
    /// Measured points above the deadband when extending / retracting: command, share of the full rate. Both rise; where the last is not
    /// at the full rate, full command is.
    pub curve: [Vec<(f64, f64)>; 2],
    /// Time from zero to full command, s.
    pub ramp_up: f64,
    /// Time from full command to zero, s.
    pub ramp_down: f64,
    /// The same for a category 1 stop, s.
    pub stop_ramp: f64,
    /// Time in which a ramp reaches its slope, s. 0: at once.
    pub ramp_round: f64,
    /// Gain on the accumulated difference between asked and measured stroke, 1/s.
    pub gain: f64,
    /// Time over which that difference is smoothed before it is fed back, s.
    pub smooth: f64,
    /// Speed taken back for each m/s² of acceleration beyond what is asked, s.
    pub damp: f64,
    /// Time over which a lasting difference is taken out, s. 0 switches the integral part off.
    pub integral_time: f64,
    /// What passes between a command and the motion it causes, s: delay and lag of valve and oil.
    pub lead: f64,
    /// What the axis would move by for the oil that fills its lines before it moves, when extending / retracting, m.
    pub fill: (f64, f64),
    /// How far the axis goes on in its direction after its valve has closed, when extending / retracting, m: below zero it goes back.
    pub run_on: (f64, f64),
    /// How far it may drift before it is brought back where nothing is asked of it, m. 0: it is left alone.
    pub hold: f64,
    /// Amplitude (share of full command) and frequency (Hz) of the dither. None without.
    pub dither: Option<(f64, f64)>,
    /// Deceleration that the axis can be trusted to reach, m/s², for braking before its end of range and before zones.
    pub braking: f64,
}

/// When the core calls something wrong on this axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Watch {
    /// Greatest credible stroke rate: a faster change of the reading is a jump, m/s.
    pub jump_rate: f64,
    /// How long a bad reading must last to count, s.
    pub sensor_confirm: f64,
    /// A reading older than this counts as none, s.
    pub stale: f64,
    /// Stroke rate that counts as motion, m/s.
    pub still_rate: f64,
    /// How far the opening of the valve may be off from the one commanded, either way, as a share of full.
    pub opening_doubt: f64,
    /// Least and greatest share of its curve's rate that the axis may have while it is well.
    pub rate_share: (f64, f64),
    /// How far a load may move the axis one way while its valve is closed, m: trapped oil and hoses give.
    pub give: f64,
    /// Time within which motion follows a change of the opening, s.
    pub settle: f64,
    /// Motion not asked for must last this long, s.
    pub unasked: f64,
    /// No motion when asked must last this long, s. A reading that never changes at all in that time is a frozen sensor.
    pub no_motion: f64,
    /// Motion the wrong way must last this long, s.
    pub wrong_way: f64,
    /// Greatest difference between where the axis was asked to be and where it is, m.
    pub following: f64,
}

/// A serial chain of axes with a tip.
#[derive(Debug, Clone, PartialEq)]
pub struct Arm {
    /// Unique name.
    pub name: String,
    /// Where its first joint sits in the machine frame, m. On a slewing base: in that base's frame.
    pub base: Vector3<f64>,
    /// The axis of the slewing base that carries it, if one does. Seat and zones are then on that base too.
    pub on: Option<usize>,
    /// Its joints from base to tip: indices into [`Description::axes`].
    pub axes: Vec<usize>,
    /// An axis carried at the tip that does not move the tip itself (a grip).
    pub grip: Option<usize>,
    /// The joint (index into `axes` of this arm) about whose axis the tip pitches.
    pub pitch_joint: usize,
    /// Tip speed at full lever in tip mode, m/s.
    pub tip_speed: f64,
    /// Rate at which the tip pitches, rolls or yaws at full lever in tip mode, rad/s.
    pub pitch_rate: f64,
    /// Time from rest to full tip speed and back in tip mode, s (`tip_ramp_ms`).
    pub tip_ramp: f64,
    /// What the core believes to hang at its tip, as far as tipping goes: its rated load, kg (`payload_kg`).
    pub payload: f64,
    /// Numbers of the levers that in tip mode move the tip forward, left and up, pitch it, and where there are five or six of them
    /// roll and yaw it.
    pub levers: Vec<usize>,
}

/// A volume that no arm part may enter, but for those that it spares.
#[derive(Debug, Clone, PartialEq)]
pub struct Zone {
    /// Unique name.
    pub name: String,
    /// Its shape, in the machine frame, or in that of the joint that carries it.
    pub shape: Shape,
    /// The axis whose link carries it. None: it is fixed to the machine.
    pub on: Option<usize>,
    /// Axes whose links and cylinders may be in it.
    pub spares: Vec<usize>,
    /// Distance that the core keeps from it, m.
    pub margin: f64,
}

/// The shape of a zone.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A box with its sides along the axes.
    Box {
        /// Corner with the least coordinates, m.
        min: Vector3<f64>,
        /// Corner with the greatest coordinates, m.
        max: Vector3<f64>,
    },
    /// All that is no further than `radius` from the line between two points.
    Capsule {
        /// One end of the line, m.
        from: Vector3<f64>,
        /// The other, m.
        to: Vector3<f64>,
        /// m.
        radius: f64,
    },
    /// All that lies behind a plane.
    HalfSpace {
        /// A point of the plane, m.
        point: Vector3<f64>,
        /// Unit vector square to it, out of the zone.
        outward: Vector3<f64>,
    },
}

impl Zone {
    /// The corners of the least box around a zone that is fixed to the machine, m. None where it has no end, or moves.
    pub fn bounds(&self) -> Option<(Vector3<f64>, Vector3<f64>)> {
        match &self.shape {
            _ if self.on.is_some() => None,
            Shape::Box { min, max } => Some((*min, *max)),
            Shape::Capsule { from, to, radius } => {
                let round = Vector3::repeat(*radius);
                Some((from.inf(to) - round, from.sup(to) + round))
            }
            Shape::HalfSpace { .. } => None,
        }
    }

    /// It keeps the parts of this axis out.
    pub fn meets(&self, axis: usize) -> bool {
        self.on != Some(axis) && !self.spares.contains(&axis)
    }
}
