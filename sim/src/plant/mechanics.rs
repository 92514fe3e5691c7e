//! The mechanism in the equations: inertia and bias, worked out no more often than they change.
//!
//! Hydraulics are stiff, arms are not: from one step to the next a mass matrix changes by thousandths. So it is worked
//! out, with the bias, at the start of every step; within the step the bias goes on along the line through the step
//! before. On that line lies what both do: with `M dv/dt = torque - b`, its slope is `(b - b₀ + (M - M₀) dv/dt) / (t -
//! t₀)`, and M stays that of the start.
//!
//! What this misses is known at the next start, where everything is worked out: a difference in torque, hence in
//! acceleration, hence over the step in speed. Weighed like the integrator's own errors, it decides whether the next
//! step may do the same or must work everything out at every stage. At tight accuracies all steps must, and so must those
//! near the ground.

use super::bodies::{Bodies, Pose, Tree, TreeMatrix};
use super::ground::Ground;
use super::tree::{JOINTS_MAX, PerJoint};

/// A step may go along the line if the step before missed no more than this share of the error allowed.
const MISSED_MAX: f64 = 0.1;

/// What moves.
#[derive(Debug, Clone)]
#[allow(clippy::large_enum_variant, reason = "there is one in a plant")]
pub enum Mechanism {
    /// Arms.
    Arms(Bodies),
    /// One sliding mass, kg, for a test bench.
    Mass(f64),
}

/// The mechanism, with what was last worked out about it.
#[derive(Debug, Clone)]
pub(super) struct Mechanics {
    pub(super) mechanism: Mechanism,
    pub(super) ground: Ground,
    /// Load on a test bench's mass, N.
    pub(super) load: f64,
    tree: Tree,
    pose: Pose,
    placed: Option<PerJoint>,
    /// At the start of the step, and of the step before.
    now: Start,
    before: Start,
    /// Whether `before` is one.
    history: bool,
    /// Slope of the bias, N m/s.
    slope: PerJoint,
    /// Whether the step goes along the line.
    lined: bool,
    /// At a stage: the bias, and the mass matrix, factored, where it was worked out.
    stage: TreeMatrix,
    stage_bias: PerJoint,
}

#[derive(Debug, Clone)]
struct Start {
    time: f64,
    mass: TreeMatrix,
    factored: TreeMatrix,
    bias: PerJoint,
}

impl Mechanics {
    pub(super) fn new(mechanism: Mechanism) -> Mechanics {
        let tree = match &mechanism {
            Mechanism::Arms(bodies) => *bodies.tree(),
            Mechanism::Mass(_) => Tree::single(),
        };
        let start = Start {
            time: 0.0,
            mass: TreeMatrix::zero(),
            factored: TreeMatrix::zero(),
            bias: [0.0; JOINTS_MAX],
        };
        Mechanics {
            mechanism,
            ground: Ground::default(),
            load: 0.0,
            tree,
            pose: Pose::default(),
            placed: None,
            now: start.clone(),
            before: start,
            history: false,
            slope: [0.0; JOINTS_MAX],
            lined: false,
            stage: TreeMatrix::zero(),
            stage_bias: [0.0; JOINTS_MAX],
        }
    }

    pub(super) fn tree(&self) -> &Tree {
        &self.tree
    }

    /// Pose of the last placing.
    pub(super) fn pose(&self) -> &Pose {
        &self.pose
    }

    /// Mass matrix at the start of the step.
    pub(super) fn mass(&self) -> &TreeMatrix {
        &self.now.mass
    }

    /// Forgets the past: after whatever changes the mechanism itself, or moves it other than in time.
    pub(super) fn forget(&mut self) {
        (self.history, self.lined, self.placed) = (false, false, None);
    }

    /// Places the bodies at these angles.
    pub(super) fn place(&mut self, angle: &[f64]) {
        let Mechanism::Arms(bodies) = &self.mechanism else {
            return;
        };
        let n = self.tree.len();
        if self.placed.is_none_or(|placed| placed[..n] != angle[..n]) {
            bodies.place(angle, &mut self.pose);
            let mut placed = [0.0; JOINTS_MAX];
            placed[..n].copy_from_slice(&angle[..n]);
            self.placed = Some(placed);
        }
    }

    /// Works everything out at the start of a step.
    pub(super) fn start(&mut self, time: f64, angle: &[f64], rate: &[f64]) {
        if let Mechanism::Mass(mass) = self.mechanism {
            self.now.mass.set(0, 0, mass);
            self.now.factored.set(0, 0, 1.0 / mass);
            self.now.bias[0] = self.load;
            return;
        }
        self.place(angle);
        std::mem::swap(&mut self.now, &mut self.before);
        self.history = self.history && time > self.before.time;
        self.now.time = time;
        let Mechanism::Arms(bodies) = &self.mechanism else {
            return;
        };
        bodies.fill_mass_matrix(&self.pose, &mut self.now.mass);
        self.now.bias = bodies.torque(&self.pose, rate, &[0.0; JOINTS_MAX]);
        self.ground.add(bodies, &self.pose, rate, &mut self.now.bias);
        // On a line a step would go straight into the ground.
        self.history = self.history && !self.ground.is_near(bodies, &self.pose, rate);
        self.now.factored.copy(&self.tree, &self.now.mass);
        self.now.factored.factor(&self.tree);
    }

    /// With the acceleration at the start: draws the line on which the bias goes on. `allowed` is the error allowed in
    /// each rate.
    pub(super) fn go_on(&mut self, acceleration: &[f64], allowed: impl Fn(usize) -> f64) {
        if let Mechanism::Mass(_) = self.mechanism {
            self.slope[0] = 0.0;
            self.lined = true;
            return;
        }
        let n = self.tree.len();
        if !std::mem::replace(&mut self.history, true) {
            self.lined = false;
            self.slope = [0.0; JOINTS_MAX];
            return;
        }
        let span = self.now.time - self.before.time;
        let (now, then) = (
            self.now.mass.times(&self.tree, acceleration),
            self.before.mass.times(&self.tree, acceleration),
        );
        let mut missed = [0.0; JOINTS_MAX];
        for i in 0..n {
            let gain = self.now.bias[i] - self.before.bias[i] + now[i] - then[i];
            missed[i] = gain - self.slope[i] * span;
            self.slope[i] = gain / span;
        }
        self.now.factored.solve(&self.tree, &mut missed[..n]);
        self.lined = (0..n).all(|i| missed[i].abs() * span <= MISSED_MAX * allowed(i));
    }

    /// Whether the step goes along the line.
    pub(super) fn lined(&self) -> bool {
        self.lined
    }

    /// Makes ready for a stage of a step that goes along the line.
    pub(super) fn stage_on_line(&mut self, time: f64) {
        let after = time - self.now.time;
        let line = self.now.bias.iter().zip(&self.slope);
        for (stage, (bias, slope)) in self.stage_bias.iter_mut().zip(line).take(self.tree.len()) {
            *stage = bias + after * slope;
        }
    }

    /// Makes ready for a stage of a step that does not: works everything out.
    pub(super) fn stage(&mut self, angle: &[f64], rate: &[f64]) {
        self.place(angle);
        if let Mechanism::Arms(bodies) = &self.mechanism {
            bodies.fill_mass_matrix(&self.pose, &mut self.stage);
            self.stage_bias = bodies.torque(&self.pose, rate, &[0.0; JOINTS_MAX]);
            self.ground.add(bodies, &self.pose, rate, &mut self.stage_bias);
            self.stage.factor(&self.tree);
        }
    }

    /// Turns the actuators' torques into accelerations, at the start of a step.
    pub(super) fn accelerate_at_start(&self, torque: &mut [f64]) {
        accelerated(&self.tree, &self.now.factored, &self.now.bias, torque);
    }

    /// The same at a stage.
    pub(super) fn accelerate(&self, torque: &mut [f64]) {
        let factored = if self.lined { &self.now.factored } else { &self.stage };
        accelerated(&self.tree, factored, &self.stage_bias, torque);
    }
}

/// Accelerations from torques, in their place.
fn accelerated(tree: &Tree, factored: &TreeMatrix, bias: &PerJoint, torque: &mut [f64]) {
    for (torque, bias) in torque.iter_mut().zip(bias) {
        *torque -= bias;
    }
    factored.solve(tree, torque);
}
