//! Rigid arms on a fixed carrier: where everything is, and the torques that it takes.
//!
//! Revolute joints in a tree, each with one rigid link (a round bar) and at most one payload (a point mass in the
//! joint's frame). Everything is worked out in the machine frame's axes: a round bar's inertia about its centre is then
//! two numbers and a direction, `I x = across x + (along - across) e (e.x)`, and no inertia ever has to be turned.
//!
//! - Inverse dynamics: recursive Newton-Euler (Luh, Walker, Paul 1980; Featherstone, *Rigid Body Dynamics Algorithms*,
//!   2008, chapter 5).
//! - Mass matrix: composite rigid bodies (Walker, Orin 1982; Featherstone 2008, chapter 6). Both from memory.
//!
//! Frames are those of the machine file: at angle zero all are parallel to the machine frame (x forward, y left, z up).
//! On a slewing base the machine frame is that of the base: seat, zones and tips turn with it. Inside, everything is in
//! the frame that the machine stands in; what a [`Pose`] tells is in the machine frame.

use bellcrank_machine::description::{Arm, Description, Joint, JointAxis};
use nalgebra::{Matrix3, SMatrix, Vector3};

pub use super::tree::{JOINTS_MAX, PerJoint, Tree, TreeError, TreeMatrix};

/// Standard gravity, m/s².
pub const GRAVITY: f64 = 9.80665;

/// Velocity of a point (rows 0-2) and angular velocity (rows 3-5) per unit of each joint's rate, in the machine frame's
/// axes.
pub type Jacobian = SMatrix<f64, 6, JOINTS_MAX>;

/// A point mass in a joint's frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Payload {
    /// Mass, kg.
    pub mass: f64,
    /// Where, in the joint's frame, m.
    pub at: Vector3<f64>,
}

/// One joint and what it carries.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Body {
    axis: JointAxis,
    /// From the parent's frame (or the machine frame) to this joint's, m.
    origin: Vector3<f64>,
    mass: f64,
    centre: Vector3<f64>,
    /// Direction of the bar.
    along: Vector3<f64>,
    /// Inertia across the bar, about its centre, kg m².
    across: f64,
    /// Inertia about the bar's own axis, less `across`, kg m².
    excess: f64,
    payload: Payload,
}

impl Body {
    /// The joint of a machine file, sitting at `origin` in its parent's frame. A link without length counts as a ball.
    pub fn new(joint: &Joint, origin: Vector3<f64>) -> Body {
        let length = joint.link.norm();
        let square = joint.radius * joint.radius;
        let (along, across, spin) = if length > 0.0 {
            (joint.link / length, length * length / 12.0 + square / 4.0, square / 2.0)
        } else {
            (Vector3::zeros(), 0.4 * square, 0.4 * square)
        };
        Body {
            axis: joint.axis,
            origin,
            mass: joint.mass,
            centre: joint.centre,
            along,
            across: joint.mass * across,
            excess: joint.mass * (spin - across),
            payload: Payload {
                mass: 0.0,
                at: Vector3::zeros(),
            },
        }
    }

    fn inertia_times(&self, e: &Vector3<f64>, x: &Vector3<f64>) -> Vector3<f64> {
        x * self.across + e * (self.excess * e.dot(x))
    }
}

/// All arms of a machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Bodies {
    tree: Tree,
    list: Vec<Body>,
    /// The joint of a slewing base: its frame is the machine frame.
    base: Option<usize>,
    /// Acceleration of free fall in the frame that the machine stands in, m/s². Not along -z on a slope.
    pub gravity: Vector3<f64>,
}

/// Where everything is for one set of joint angles. Made once, filled by [`Bodies::place`], read by everything else.
#[derive(Debug, Clone)]
pub struct Pose {
    rotation: [Matrix3<f64>; JOINTS_MAX],
    origin: [Vector3<f64>; JOINTS_MAX],
    axis: [Vector3<f64>; JOINTS_MAX],
    centre: [Vector3<f64>; JOINTS_MAX],
    along: [Vector3<f64>; JOINTS_MAX],
    payload: [Vector3<f64>; JOINTS_MAX],
    base: Option<usize>,
}

impl Default for Pose {
    fn default() -> Pose {
        let none = [Vector3::zeros(); JOINTS_MAX];
        let rotation = [Matrix3::identity(); JOINTS_MAX];
        Pose {
            rotation,
            origin: none,
            axis: none,
            centre: none,
            along: none,
            payload: none,
            base: None,
        }
    }
}

impl Pose {
    /// Rotation of a joint's frame: its columns are the frame's axes in the machine frame.
    pub fn rotation(&self, joint: usize) -> Matrix3<f64> {
        match self.base {
            Some(base) => self.rotation[base].transpose() * self.rotation[joint],
            None => self.rotation[joint],
        }
    }

    /// The tip of an arm in the machine frame, m: the end of its last link.
    ///
    /// # Panics
    /// If the arm has no axes; one that was read from a file has.
    pub fn tip(&self, machine: &Description, arm: &Arm) -> Vector3<f64> {
        let last = *arm.axes.last().expect("an arm has axes");
        self.point(last, &machine.axes[last].joint.link)
    }

    /// Origin of a joint's frame in the machine frame, m.
    pub fn origin(&self, joint: usize) -> Vector3<f64> {
        self.seen(self.origin[joint])
    }

    /// A point given in a joint's frame, in the machine frame, m.
    pub fn point(&self, joint: usize, local: &Vector3<f64>) -> Vector3<f64> {
        self.seen(self.standing_point(joint, local))
    }

    /// A point given in a joint's frame, in the frame that the machine stands in, m.
    pub(super) fn standing_point(&self, joint: usize, local: &Vector3<f64>) -> Vector3<f64> {
        self.origin[joint] + self.rotation[joint] * local
    }

    fn seen(&self, point: Vector3<f64>) -> Vector3<f64> {
        match self.base {
            Some(base) => self.rotation[base].tr_mul(&(point - self.origin[base])),
            None => point,
        }
    }
}

impl Bodies {
    /// From bodies and the parent of each.
    ///
    /// # Errors
    /// [`TreeError`] if the parents do not make a tree, or there are too many.
    ///
    /// # Panics
    /// If there is not one parent for each body.
    pub fn new(bodies: Vec<Body>, parents: &[Option<usize>]) -> Result<Bodies, TreeError> {
        assert_eq!(bodies.len(), parents.len(), "one parent for each body");
        Ok(Bodies {
            tree: Tree::new(parents)?,
            list: bodies,
            base: None,
            gravity: Vector3::new(0.0, 0.0, -GRAVITY),
        })
    }

    /// A serial chain that starts at `base`.
    ///
    /// # Errors
    /// [`TreeError`] if there are too many joints.
    pub fn chain(base: Vector3<f64>, joints: &[Joint]) -> Result<Bodies, TreeError> {
        let origin = |i: usize| if i == 0 { base } else { joints[i - 1].link };
        let bodies = joints
            .iter()
            .enumerate()
            .map(|(i, joint)| Body::new(joint, origin(i)))
            .collect();
        let parents: Vec<_> = (0..joints.len()).map(|i| i.checked_sub(1)).collect();
        Bodies::new(bodies, &parents)
    }

    /// The arms of a machine file: joint i is axis i. An axis that belongs to no arm sits by itself at the machine's
    /// origin.
    ///
    /// # Errors
    /// [`TreeError`] if there are too many axes, or an arm bites its tail.
    pub fn of_machine(machine: &Description) -> Result<Bodies, TreeError> {
        let mut parents = vec![None; machine.axes.len()];
        let mut origins = vec![Vector3::zeros(); machine.axes.len()];
        for arm in &machine.arms {
            let mut before = arm.on;
            for &axis in arm.axes.iter().chain(arm.grip.iter()) {
                parents[axis] = before;
                let first = before == arm.on;
                origins[axis] = before
                    .filter(|_| !first)
                    .map_or(arm.base, |p| machine.axes[p].joint.link);
                before = Some(axis);
            }
        }
        let bodies = machine
            .axes
            .iter()
            .zip(origins)
            .map(|(axis, origin)| Body::new(&axis.joint, origin))
            .collect();
        let mut bodies = Bodies::new(bodies, &parents)?;
        bodies.base = machine.arms.first().and_then(|arm| arm.on);
        Ok(bodies)
    }

    /// Which joint sits on which.
    pub fn tree(&self) -> &Tree {
        &self.tree
    }

    /// Hangs a payload on a joint, in place of the one before. A mass of zero takes it off.
    pub fn set_payload(&mut self, joint: usize, payload: Payload) {
        self.list[joint].payload = payload;
    }

    /// Hangs a mass, kg, from the tip of an arm.
    pub fn hang(&mut self, machine: &Description, arm: &Arm, mass: f64) {
        if let Some(&last) = arm.axes.last() {
            let at = machine.axes[last].joint.link;
            self.set_payload(last, Payload { mass, at });
        }
    }

    /// Works out where everything is. The only sines and cosines are here.
    pub fn place(&self, angle: &[f64], pose: &mut Pose) {
        pose.base = self.base;
        for &i in self.tree.outward() {
            let body = &self.list[i];
            let (parent, start) = match self.tree.parent(i) {
                Some(p) => (pose.rotation[p], pose.origin[p] + pose.rotation[p] * body.origin),
                None => (Matrix3::identity(), body.origin),
            };
            let rotation = turned(&parent, body.axis, angle[i]);
            pose.origin[i] = start;
            pose.axis[i] = rotation.column(column(body.axis)).into();
            pose.centre[i] = start + rotation * body.centre;
            pose.along[i] = rotation * body.along;
            pose.payload[i] = start + rotation * body.payload.at;
            pose.rotation[i] = rotation;
        }
    }

    /// How a point fixed to `joint` (given in the machine frame) moves with the rates of the joints that carry it, as
    /// seen in the machine frame: a slewing base's own column is zero, and so are those of joints that do not carry it.
    pub fn jacobian(&self, pose: &Pose, joint: usize, point: &Vector3<f64>) -> Jacobian {
        let mut jacobian = Jacobian::zeros();
        for i in std::iter::once(joint).chain(self.tree.ancestors(joint)) {
            if Some(i) == self.base {
                continue;
            }
            let axis = match self.base {
                Some(base) => pose.rotation[base].tr_mul(&pose.axis[i]),
                None => pose.axis[i],
            };
            jacobian
                .fixed_view_mut::<3, 1>(0, i)
                .copy_from(&axis.cross(&(point - pose.origin(i))));
            jacobian.fixed_view_mut::<3, 1>(3, i).copy_from(&axis);
        }
        jacobian
    }

    /// How a point of `joint` moves with the rate of each joint that carries it, in the frame that the machine stands
    /// in, in which the point is given.
    pub(super) fn levers<'a>(
        &'a self,
        pose: &'a Pose,
        joint: usize,
        point: &'a Vector3<f64>,
    ) -> impl Iterator<Item = (usize, Vector3<f64>)> + 'a {
        std::iter::once(joint)
            .chain(self.tree.ancestors(joint))
            .map(move |i| (i, pose.axis[i].cross(&(point - pose.origin[i]))))
    }

    /// Torque that each joint's actuator must give, positive about the joint's axis: `tau = M acceleration + c + g`.
    pub fn torque(&self, pose: &Pose, rate: &[f64], acceleration: &[f64]) -> PerJoint {
        let zero = [Vector3::zeros(); JOINTS_MAX];
        let (mut turning, mut gaining, mut rising) = (zero, zero, zero);
        let (mut force, mut moment) = (zero, zero);
        for &i in self.tree.outward() {
            let body = &self.list[i];
            let (w, dw, a) = match self.tree.parent(i) {
                Some(p) => {
                    let arm = pose.origin[i] - pose.origin[p];
                    let a = rising[p] + gaining[p].cross(&arm) + turning[p].cross(&turning[p].cross(&arm));
                    (turning[p], gaining[p], a)
                }
                // Gravity is an upward acceleration of the carrier.
                None => (Vector3::zeros(), Vector3::zeros(), -self.gravity),
            };
            let spin = pose.axis[i] * rate[i];
            let dw = dw + pose.axis[i] * acceleration[i] + w.cross(&spin);
            let w = w + spin;
            let push = |mass: f64, at: &Vector3<f64>| {
                let arm = at - pose.origin[i];
                let f = (a + dw.cross(&arm) + w.cross(&w.cross(&arm))) * mass;
                (f, arm.cross(&f))
            };
            let e = &pose.along[i];
            let (f, n) = push(body.mass, &pose.centre[i]);
            force[i] = f;
            moment[i] = n + body.inertia_times(e, &dw) + w.cross(&body.inertia_times(e, &w));
            if body.payload.mass > 0.0 {
                let (f, n) = push(body.payload.mass, &pose.payload[i]);
                force[i] += f;
                moment[i] += n;
            }
            (turning[i], gaining[i], rising[i]) = (w, dw, a);
        }
        let mut torque = [0.0; JOINTS_MAX];
        for &i in self.tree.outward().iter().rev() {
            torque[i] = pose.axis[i].dot(&moment[i]);
            if let Some(p) = self.tree.parent(i) {
                let (f, n) = (force[i], moment[i]);
                force[p] += f;
                moment[p] += n + (pose.origin[i] - pose.origin[p]).cross(&f);
            }
        }
        torque
    }

    /// The joint-space mass matrix.
    pub fn mass_matrix(&self, pose: &Pose) -> TreeMatrix {
        let mut matrix = TreeMatrix::zero();
        self.fill_mass_matrix(pose, &mut matrix);
        matrix
    }

    /// [`Bodies::mass_matrix`] into a matrix that is there already.
    pub fn fill_mass_matrix(&self, pose: &Pose, matrix: &mut TreeMatrix) {
        // Mass, mass times centre and inertia, all about the machine's origin, of each joint with everything that it
        // carries.
        let mut mass = [0.0; JOINTS_MAX];
        let mut moment = [Vector3::zeros(); JOINTS_MAX];
        let mut inertia = [Matrix3::zeros(); JOINTS_MAX];
        for &i in self.tree.outward().iter().rev() {
            let body = &self.list[i];
            let e = &pose.along[i];
            mass[i] += body.mass + body.payload.mass;
            moment[i] += pose.centre[i] * body.mass + pose.payload[i] * body.payload.mass;
            inertia[i] += Matrix3::from_diagonal_element(body.across) + e * (e * body.excess).transpose();
            inertia[i] += point_inertia(body.mass, &pose.centre[i]);
            if body.payload.mass > 0.0 {
                inertia[i] += point_inertia(body.payload.mass, &pose.payload[i]);
            }
            if let Some(p) = self.tree.parent(i) {
                let (m, s, j) = (mass[i], moment[i], inertia[i]);
                mass[p] += m;
                moment[p] += s;
                inertia[p] += j;
            }
            // Momentum, linear and angular about the machine's origin, when only this joint turns, at one radian a
            // second.
            let axis = &pose.axis[i];
            let drift = pose.origin[i].cross(axis);
            let linear = drift * mass[i] + axis.cross(&moment[i]);
            let angular = inertia[i] * axis + moment[i].cross(&drift);
            matrix.set(i, i, axis.dot(&angular) + drift.dot(&linear));
            for j in self.tree.ancestors(i) {
                let axis = &pose.axis[j];
                matrix.set(i, j, axis.dot(&angular) + pose.origin[j].cross(axis).dot(&linear));
            }
        }
    }

    /// Kinetic energy, J.
    pub fn kinetic_energy(&self, pose: &Pose, rate: &[f64]) -> f64 {
        let momentum = self.mass_matrix(pose).times(&self.tree, rate);
        0.5 * momentum.iter().zip(rate).map(|(p, v)| p * v).sum::<f64>()
    }

    /// Potential energy against the machine's origin, J.
    pub fn potential_energy(&self, pose: &Pose) -> f64 {
        let weigh = |(i, body): (usize, &Body)| pose.centre[i] * body.mass + pose.payload[i] * body.payload.mass;
        -self
            .list
            .iter()
            .enumerate()
            .map(weigh)
            .sum::<Vector3<f64>>()
            .dot(&self.gravity)
    }
}

fn column(axis: JointAxis) -> usize {
    match axis {
        JointAxis::X => 0,
        JointAxis::Y => 1,
        JointAxis::Z => 2,
    }
}

/// A frame turned about one of its own axes: that column stays, the other two mix.
fn turned(frame: &Matrix3<f64>, axis: JointAxis, angle: f64) -> Matrix3<f64> {
    let (sin, cos) = angle.sin_cos();
    let [x, y, z] = [0, 1, 2].map(|k| Vector3::from(frame.column(k)));
    let mixed = |a: Vector3<f64>, b: Vector3<f64>| (a * cos + b * sin, b * cos - a * sin);
    let columns = match axis {
        JointAxis::X => {
            let (y, z) = mixed(y, z);
            [x, y, z]
        }
        JointAxis::Y => {
            let (z, x) = mixed(z, x);
            [x, y, z]
        }
        JointAxis::Z => {
            let (x, y) = mixed(x, y);
            [x, y, z]
        }
    };
    Matrix3::from_columns(&columns)
}

/// Inertia of a point mass about the frame's origin.
fn point_inertia(mass: f64, at: &Vector3<f64>) -> Matrix3<f64> {
    Matrix3::from_diagonal_element(mass * at.norm_squared()) - at * (at * mass).transpose()
}
