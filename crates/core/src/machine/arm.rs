//! Arms: chains of joints with a tip.

use heapless::Vec;

use super::{AxisId, Field, JOINTS_MAX, TIP_LEVERS_MAX, check, finite, is_lever, not_negative, positive};
use crate::vec3::Vec3;

/// How a joint moves in its own frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum JointAxis {
    /// Turns about x.
    X,
    /// Turns about y.
    Y,
    /// Turns about z.
    Z,
    /// Slides along x: its "angle" is how far, m.
    AlongX,
    /// Slides along y.
    AlongY,
    /// Slides along z.
    AlongZ,
}

/// A joint of an arm and the link it carries.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Joint {
    /// Which axis moves it.
    pub axis: AxisId,
    /// About what it turns, or along what it slides.
    pub about: JointAxis,
    /// To the next joint or the tip, in the joint's frame, m. On a joint that slides: at zero.
    pub link: Vec3,
    /// Radius of the link's keep-out capsule, m.
    pub radius: f32,
    /// The cylinder that moves it, as something to be kept out.
    pub cylinder: Option<Cylinder>,
    /// Mass of the link, kg.
    pub mass: f32,
    /// Its centre of mass in the joint's frame, m.
    pub centre: Vec3,
}

/// A cylinder's keep-out capsule: from its barrel pin to its rod pin.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Cylinder {
    /// Barrel pin, seen from the joint, in the frame of the part before it, m.
    pub barrel: Vec3,
    /// Where the rod ends.
    pub rod: Rod,
    /// Its outer radius, m.
    pub radius: f32,
}

/// What the rod of a cylinder is pinned to.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Rod {
    /// The joint's link: the pin, seen from the joint, in its frame, m.
    Link(Vec3),
    /// The rocker of a four-bar.
    Rocker(Rocker),
}

/// What takes a four-bar's joint to where the rod is pinned to its rocker. In the plane of the joint: (y, z) about x, (x, -z) about y,
/// (x, y) about z; seen from the joint.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Rocker {
    /// The coupler's pin on the link, in the joint's frame, m.
    pub child: [f32; 2],
    /// The rocker's pivot, in the frame of the part before the joint, m.
    pub pivot: [f32; 2],
    /// Rocker pivot to coupler pin, m.
    pub rocker: f32,
    /// The coupler between its pins, m.
    pub coupler: f32,
    /// +1 or -1: side of the rocker's coupler pin, seen from the pivot towards the link's pin.
    pub side: f32,
    /// The complex factor that takes the rocker's coupler pin, seen from the pivot, to its rod pin.
    pub rod: [f32; 2],
}

/// Fewest levers that move a tip: forward, left, up, pitch.
const TIP_LEVERS_LEAST: usize = 4;

/// A serial chain of joints with a tip.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Arm {
    /// Where the first joint sits in the machine frame, m.
    pub base: Vec3,
    /// From base to tip.
    pub joints: Vec<Joint, JOINTS_MAX>,
    /// The joint, counted from the base, about whose axis the tip pitches.
    pub pitch_joint: u8,
    /// An axis carried at the tip (a grip): joint mode always, whatever the mode of the arm.
    pub grip: Option<Joint>,
    /// Tip speed at full lever, m/s.
    pub tip_speed: f32,
    /// Rate at which the tip pitches, rolls or yaws at full lever, rad/s.
    pub pitch_rate: f32,
    /// Time from rest to full tip speed and back, s.
    pub tip_ramp: f32,
    /// What is believed to hang at the tip, for tipping, kg.
    pub payload: f32,
    /// Levers for forward, left, up, pitch, and where the arm has the joints for it roll and yaw: four to six. With the fifth the
    /// joints beyond the pitch joint are moved with the tip; with the sixth it turns about the frame's own three axes.
    pub levers: Vec<u8, TIP_LEVERS_MAX>,
}

impl Joint {
    fn usable(&self, axes: usize) -> bool {
        self.axis.index() < axes
            && finite(&self.link)
            && not_negative(self.radius)
            && not_negative(self.mass)
            && finite(&self.centre)
            && self.cylinder.is_none_or(|cylinder| cylinder.usable())
    }
}

impl Cylinder {
    fn usable(&self) -> bool {
        finite(&self.barrel) && not_negative(self.radius) && self.rod.usable()
    }
}

impl Rod {
    fn usable(&self) -> bool {
        match self {
            Self::Link(pin) => finite(pin),
            Self::Rocker(rocker) => {
                finite(&rocker.child)
                    && finite(&rocker.pivot)
                    && finite(&rocker.rod)
                    && positive(rocker.rocker)
                    && positive(rocker.coupler)
                    && (rocker.side == 1.0 || rocker.side == -1.0)
            }
        }
    }
}

impl Arm {
    /// Its joints from base to tip, and its grip after them.
    pub fn movers(&self) -> impl Iterator<Item = &Joint> {
        self.joints.iter().chain(&self.grip)
    }

    pub(super) fn check(&self, axes: usize) -> Result<(), Field> {
        check(finite(&self.base), Field::Base)?;
        check(
            !self.joints.is_empty() && self.joints.iter().all(|joint| joint.usable(axes)),
            Field::Joints,
        )?;
        check(usize::from(self.pitch_joint) < self.joints.len(), Field::PitchJoint)?;
        check(self.grip.is_none_or(|grip| grip.usable(axes)), Field::Grip)?;
        check(
            [self.tip_speed, self.pitch_rate, self.tip_ramp]
                .iter()
                .all(|speed| positive(*speed)),
            Field::TipSpeed,
        )?;
        check(not_negative(self.payload), Field::Mass)?;
        check(
            self.levers.len() >= TIP_LEVERS_LEAST && self.levers.iter().all(|lever| is_lever(*lever)),
            Field::Lever,
        )?;
        let beyond_pitch = self.joints.len() > usize::from(self.pitch_joint).saturating_add(1);
        check(
            match self.levers.len() {
                5 => beyond_pitch,
                TIP_LEVERS_MAX => self.joints.len() >= TIP_LEVERS_MAX,
                _ => true,
            },
            Field::Lever,
        )
    }
}
