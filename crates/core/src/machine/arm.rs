//! Arms: chains of joints with a tip.

use heapless::Vec;

use super::{AxisId, Field, JOINTS_MAX, TIP_LEVERS_MAX, check, finite, is_lever, positive};
use crate::vec3::Vec3;

/// How a joint moves in its own frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
pub struct Joint {
    /// Which axis moves it.
    pub axis: AxisId,
    /// About what it turns, or along what it slides.
    pub about: JointAxis,
    /// To the next joint or the tip, in the joint's frame, m. On a joint that slides: at zero.
    pub link: Vec3,
    /// Radius of the link's keep-out capsule, m.
    pub radius: f32,
}

/// Fewest levers that move a tip: forward, left, up, pitch.
const TIP_LEVERS_LEAST: usize = 4;

/// A serial chain of joints with a tip.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Arm {
    /// Where the first joint sits in the machine frame, m.
    pub base: Vec3,
    /// From base to tip.
    pub joints: Vec<Joint, JOINTS_MAX>,
    /// The joint, counted from the base, about whose axis the tip pitches.
    pub pitch_joint: u8,
    /// An axis carried at the tip (a grip): joint mode always, whatever the mode of the arm.
    pub grip: Option<AxisId>,
    /// Tip speed at full lever, m/s.
    pub tip_speed: f32,
    /// Rate at which the tip pitches, rolls or yaws at full lever, rad/s.
    pub pitch_rate: f32,
    /// Time from rest to full tip speed and back, s.
    pub tip_ramp: f32,
    /// Deceleration of the tip that can be trusted before a zone, m/s².
    pub tip_braking: f32,
    /// Levers for forward, left, up, pitch, and where the arm has the joints for it roll and yaw: four to six. With the fifth the
    /// joints beyond the pitch joint are moved with the tip; with the sixth it turns about the frame's own three axes.
    pub levers: Vec<u8, TIP_LEVERS_MAX>,
}

impl Arm {
    pub(super) fn check(&self, axes: usize) -> Result<(), Field> {
        check(finite(&self.base), Field::Base)?;
        check(
            !self.joints.is_empty()
                && self.joints.iter().all(|joint| {
                    joint.axis.index() < axes && finite(&joint.link) && finite(&[joint.radius]) && joint.radius >= 0.0
                }),
            Field::Joints,
        )?;
        check(usize::from(self.pitch_joint) < self.joints.len(), Field::PitchJoint)?;
        check(self.grip.is_none_or(|id| id.index() < axes), Field::Grip)?;
        check(
            [self.tip_speed, self.pitch_rate, self.tip_ramp, self.tip_braking]
                .iter()
                .all(|speed| positive(*speed)),
            Field::TipSpeed,
        )?;
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
