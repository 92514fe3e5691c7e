//! Forward dynamics of a six-joint chain, written plainly on `nalgebra`: spatial vectors and 6x6 matrices in each joint's
//! own frame, composite rigid bodies, Cholesky.
//!
//! Method and notation: Featherstone, *Rigid Body Dynamics Algorithms* (2008), chapters 5 and 6 (from memory). Angular
//! part first.

use bellcrank_machine::description::{Description, JointAxis};
use bellcrank_sim::plant::bodies::GRAVITY;
use nalgebra::{Matrix3, Matrix6, Rotation3, Unit, Vector3, Vector6};

/// Joints of the chain.
pub const JOINTS: usize = 6;

/// The chain.
pub struct Plain {
    joints: [Joint; JOINTS],
}

struct Joint {
    axis: Unit<Vector3<f64>>,
    /// From the parent's frame to this one's, in the parent's frame.
    origin: Vector3<f64>,
    /// Spatial inertia in the joint's frame.
    inertia: Matrix6<f64>,
}

impl Plain {
    /// The first arm of a machine; its links are round bars.
    ///
    /// # Panics
    /// If it has other than six joints.
    pub fn of_machine(machine: &Description) -> Plain {
        let arm = &machine.arms[0];
        assert_eq!(arm.axes.len(), JOINTS);
        let joint = |i: usize| &machine.axes[arm.axes[i]].joint;
        Plain {
            joints: std::array::from_fn(|i| {
                let it = joint(i);
                Joint {
                    axis: match it.axis {
                        JointAxis::X => Vector3::x_axis(),
                        JointAxis::Y => Vector3::y_axis(),
                        JointAxis::Z => Vector3::z_axis(),
                    },
                    origin: if i == 0 { arm.base } else { joint(i - 1).link },
                    inertia: bar(it.mass, &it.centre, &it.link, it.radius),
                }
            }),
        }
    }

    /// Joint accelerations under these joint torques.
    ///
    /// # Panics
    /// If the mass matrix is not positive definite.
    pub fn accelerations(&self, angle: &[f64; JOINTS], rate: &[f64; JOINTS], torque: &Vector6<f64>) -> [f64; JOINTS] {
        let to_child: [Matrix6<f64>; JOINTS] = std::array::from_fn(|i| {
            let joint = &self.joints[i];
            motion(&Rotation3::from_axis_angle(&joint.axis, angle[i]), &joint.origin)
        });
        let subspace: [Vector6<f64>; JOINTS] =
            std::array::from_fn(|i| stacked(&self.joints[i].axis, &Vector3::zeros()));

        // What the motion and the weight ask of the joints without acceleration.
        let mut velocity = Vector6::zeros();
        let mut acceleration = stacked(&Vector3::zeros(), &Vector3::new(0.0, 0.0, GRAVITY));
        let mut force = [Vector6::zeros(); JOINTS];
        for i in 0..JOINTS {
            let own = subspace[i] * rate[i];
            velocity = to_child[i] * velocity + own;
            let across = cross(&velocity);
            acceleration = to_child[i] * acceleration + across * own;
            let inertia = &self.joints[i].inertia;
            force[i] = inertia * acceleration - across.transpose() * (inertia * velocity);
        }
        let mut bias = Vector6::zeros();
        for i in (0..JOINTS).rev() {
            bias[i] = subspace[i].dot(&force[i]);
            if i > 0 {
                let carried = to_child[i].transpose() * force[i];
                force[i - 1] += carried;
            }
        }

        // The mass matrix.
        let mut composite: [Matrix6<f64>; JOINTS] = std::array::from_fn(|i| self.joints[i].inertia);
        let mut mass = Matrix6::zeros();
        for i in (0..JOINTS).rev() {
            if i > 0 {
                let carried = to_child[i].transpose() * composite[i] * to_child[i];
                composite[i - 1] += carried;
            }
            let mut momentum = composite[i] * subspace[i];
            mass[(i, i)] = subspace[i].dot(&momentum);
            for j in (0..i).rev() {
                momentum = to_child[j + 1].transpose() * momentum;
                mass[(i, j)] = subspace[j].dot(&momentum);
                mass[(j, i)] = mass[(i, j)];
            }
        }
        let factored = mass.cholesky().expect("a mass matrix is positive definite");
        factored.solve(&(torque - bias)).into()
    }
}

fn stacked(angular: &Vector3<f64>, linear: &Vector3<f64>) -> Vector6<f64> {
    Vector6::new(angular.x, angular.y, angular.z, linear.x, linear.y, linear.z)
}

fn blocks(a: &Matrix3<f64>, b: &Matrix3<f64>, c: &Matrix3<f64>, d: &Matrix3<f64>) -> Matrix6<f64> {
    let mut all = Matrix6::zeros();
    all.fixed_view_mut::<3, 3>(0, 0).copy_from(a);
    all.fixed_view_mut::<3, 3>(0, 3).copy_from(b);
    all.fixed_view_mut::<3, 3>(3, 0).copy_from(c);
    all.fixed_view_mut::<3, 3>(3, 3).copy_from(d);
    all
}

/// Motion vectors of the parent's frame into a child's that is moved by `origin` and then turned.
fn motion(turned: &Rotation3<f64>, origin: &Vector3<f64>) -> Matrix6<f64> {
    let e = turned.matrix().transpose();
    blocks(&e, &Matrix3::zeros(), &(-e * origin.cross_matrix()), &e)
}

/// The cross product with a motion vector, of motion vectors; its negative transpose is that of force vectors.
fn cross(velocity: &Vector6<f64>) -> Matrix6<f64> {
    let angular = Vector3::new(velocity[0], velocity[1], velocity[2]).cross_matrix();
    let linear = Vector3::new(velocity[3], velocity[4], velocity[5]).cross_matrix();
    blocks(&angular, &Matrix3::zeros(), &linear, &angular)
}

/// Spatial inertia of a round bar along `link`.
fn bar(mass: f64, centre: &Vector3<f64>, link: &Vector3<f64>, radius: f64) -> Matrix6<f64> {
    let (length, along) = (link.norm(), link.normalize());
    let across = mass * (length * length / 12.0 + radius * radius / 4.0);
    let lengthwise = along * along.transpose();
    let about_centre = (Matrix3::identity() - lengthwise) * across + lengthwise * (mass * radius * radius / 2.0);
    let c = centre.cross_matrix();
    blocks(
        &(about_centre + c * c.transpose() * mass),
        &(c * mass),
        &(c.transpose() * mass),
        &Matrix3::from_diagonal_element(mass),
    )
}
