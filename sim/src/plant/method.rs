//! Linearly implicit methods of integration, and their coefficients.
//!
//! With `Γ = (γ_ij)`, the stages are solved in the form without Jacobian products (Hairer, Wanner, *Solving Ordinary
//! Differential Equations II*, section IV.7, from memory): `(I - γh J) u_i = γ (h f(u + Σ a_ij u_j) + Σ c_ij u_j)`, `a
//! = α Γ⁻¹`, `c = I/γ - Γ⁻¹`. Tests below hold every coefficient to the order conditions.
//!
//! Two methods, because slopes are dear:
//!
//! - [`Method::classical`]: GRK4T of Kaps and Rentrop, *Numerische Mathematik* 33 (1979): order 4 with an embedded order
//!   3 from three evaluations a step, A(89.3°)-stable. With slopes that are not complete its order falls, at last to 1:
//!   its error estimate sees that and shortens the steps, so it stays right but becomes slow where much is asked.
//! - [`Method::any_slopes`]: ROS34PW2, a W-method of Rang and Angermann, *BIT Numerical Mathematics* 45 (2005): order 3
//!   with an embedded order 2 from four evaluations, L-stable and stiffly accurate. It keeps its order with *any* matrix
//!   in place of the Jacobian.

/// Stages of either method.
pub(super) const STAGES: usize = 4;
type Row = [f64; STAGES];
type Square = [Row; STAGES];

/// Coefficients as they are published: `α`, `Γ`, the weights, and those of the embedded method.
struct Published {
    order: u32,
    alpha: Square,
    gamma: Square,
    b: Row,
    lower: Row,
}

/// A method, in the form that the stages are solved in.
#[derive(Debug, Clone)]
pub(super) struct Method {
    /// Order of the error estimate: one less than that of the method.
    pub estimate: u32,
    pub gamma: f64,
    pub a: Square,
    /// Times gamma.
    pub c: Square,
    pub weights: Row,
    pub error: Row,
    /// When each stage looks, as a share of the step.
    pub at: Row,
    /// Whether the last stage looks where the one before it did, and needs no rates of its own.
    pub repeats: bool,
}

impl Method {
    /// For slopes that are complete, or where little is asked.
    pub fn classical() -> Method {
        Method::new(&GRK4T)
    }

    /// For slopes that may leave anything out.
    pub fn any_slopes() -> Method {
        Method::new(&ROS34PW2)
    }

    fn new(published: &Published) -> Method {
        let Published {
            order,
            alpha,
            gamma,
            b,
            lower,
        } = published;
        let inverse = inverse(gamma);
        let row = |row: &Row| std::array::from_fn(|j| (0..STAGES).map(|k| row[k] * inverse[k][j]).sum());
        let weights: Row = row(b);
        let lower: Row = row(lower);
        let g = gamma[0][0];
        Method {
            estimate: order - 1,
            gamma: g,
            a: std::array::from_fn(|i| row(&alpha[i])),
            c: std::array::from_fn(|i| std::array::from_fn(|j| if i == j { 0.0 } else { -g * inverse[i][j] })),
            weights,
            error: std::array::from_fn(|i| weights[i] - lower[i]),
            at: alpha.map(|row| row.iter().sum()),
            repeats: alpha[3] == alpha[2],
        }
    }
}

/// Inverse of a lower triangle.
fn inverse(lower: &Square) -> Square {
    let mut out = [[0.0; STAGES]; STAGES];
    for i in 0..STAGES {
        out[i][i] = 1.0 / lower[i][i];
        for j in 0..i {
            out[i][j] = -(j..i).map(|k| lower[i][k] * out[k][j]).sum::<f64>() / lower[i][i];
        }
    }
    out
}

/// From memory; the order conditions confirm it to the digits that were published.
const GRK4T: Published = {
    const G: f64 = 0.231;
    const THIRD: Row = [-8.15668168327e-2, 9.61775150166e-1, 0.0, 0.0];
    Published {
        order: 4,
        alpha: [[0.0; 4], [2.0 * G, 0.0, 0.0, 0.0], THIRD, THIRD],
        gamma: [
            [G, 0.0, 0.0, 0.0],
            [-2.70629667752e-1, G, 0.0, 0.0],
            [3.11254483294e-1, 8.52445628482e-3, G, 0.0],
            [2.82816832044e-1, -4.57959483281e-1, -1.11208333333e-1, G],
        ],
        b: [2.17487371653e-1, 4.86229037990e-1, 0.0, 2.96283590357e-1],
        lower: [-7.17088504499e-1, 1.77617912176, -5.90906172617e-2, 0.0],
    }
};

const ROS34PW2: Published = {
    const G: f64 = 4.3586652150845900e-1;
    Published {
        order: 3,
        alpha: [
            [0.0; 4],
            [8.7173304301691801e-1, 0.0, 0.0, 0.0],
            [8.4457060015369423e-1, -1.1299064236484185e-1, 0.0, 0.0],
            [0.0, 0.0, 1.0, 0.0],
        ],
        gamma: [
            [G, 0.0, 0.0, 0.0],
            [-8.7173304301691801e-1, G, 0.0, 0.0],
            [-9.0338057013044082e-1, 5.4180672388095326e-2, G, 0.0],
            [2.4212380706095346e-1, -1.2232505839045147, 5.4526025533510214e-1, G],
        ],
        b: [2.4212380706095346e-1, -1.2232505839045147, 1.5452602553351020, G],
        lower: [
            3.7810903145819369e-1,
            -9.6042292212423178e-2,
            0.5,
            2.1793326075422950e-1,
        ],
    }
};

#[cfg(test)]
mod tests {
    use super::*;

    fn sums(m: &Square) -> Row {
        m.map(|row| row.iter().sum())
    }

    fn dot(b: &Row, x: &Row) -> f64 {
        b.iter().zip(x).map(|(b, x)| b * x).sum()
    }

    fn times(m: &Square, x: &Row) -> Row {
        m.map(|row| dot(&row, x))
    }

    fn product(a: &Row, b: &Row) -> Row {
        std::array::from_fn(|i| a[i] * b[i])
    }

    /// What is missing from the conditions of each order for a Rosenbrock method (Hairer, Wanner, section IV.7, theorem
    /// 7.3, from memory), order by order.
    fn missing(m: &Published, b: &Row) -> [f64; 4] {
        let beta: Square = std::array::from_fn(|i| std::array::from_fn(|j| m.alpha[i][j] + m.gamma[i][j]));
        let (alpha, slope) = (sums(&m.alpha), sums(&beta));
        let square = product(&alpha, &alpha);
        let worst = |of: &[f64]| of.iter().fold(0.0, |worst: f64, d| worst.max(d.abs()));
        [
            dot(b, &[1.0; 4]) - 1.0,
            dot(b, &slope) - 1.0 / 2.0,
            worst(&[dot(b, &square) - 1.0 / 3.0, dot(b, &times(&beta, &slope)) - 1.0 / 6.0]),
            worst(&[
                dot(b, &product(&square, &alpha)) - 1.0 / 4.0,
                dot(b, &product(&alpha, &times(&m.alpha, &slope))) - 1.0 / 8.0,
                dot(b, &times(&beta, &square)) - 1.0 / 12.0,
                dot(b, &times(&beta, &times(&beta, &slope))) - 1.0 / 24.0,
            ]),
        ]
        .map(f64::abs)
    }

    #[test]
    fn the_coefficients_meet_the_order_conditions() {
        for (method, digits) in [(&GRK4T, 2e-11), (&ROS34PW2, 1e-14)] {
            for (b, order) in [(&method.b, method.order), (&method.lower, method.order - 1)] {
                let missing = missing(method, b);
                let met = missing.iter().take_while(|d| **d < digits).count();
                assert_eq!(met, order as usize, "{missing:?}");
            }
        }
    }

    #[test]
    fn the_w_method_meets_the_conditions_for_any_slopes() {
        let m = &ROS34PW2;
        let (alpha, gamma) = (sums(&m.alpha), sums(&m.gamma));
        for (b, order) in [(&m.b, 3), (&m.lower, 2)] {
            let second = [dot(b, &alpha) - 0.5, dot(b, &gamma)];
            let third = [
                dot(b, &times(&m.alpha, &alpha)) - 1.0 / 6.0,
                dot(b, &times(&m.alpha, &gamma)),
                dot(b, &times(&m.gamma, &alpha)),
                dot(b, &times(&m.gamma, &gamma)),
            ];
            assert!(second.iter().all(|d| d.abs() < 1e-14), "{second:?}");
            assert_eq!(order == 3, third.iter().all(|d| d.abs() < 1e-14), "{third:?}");
        }
    }

    /// The growth over one step of `y' = λ y`, from the stages as they are solved.
    fn growth(method: &Method, z: f64) -> f64 {
        let mut u = [0.0; STAGES];
        for i in 0..STAGES {
            let inner = 1.0 + dot(&method.a[i], &u);
            u[i] = (method.gamma * z * inner + dot(&method.c[i], &u)) / (1.0 - method.gamma * z);
        }
        1.0 + dot(&method.weights, &u)
    }

    #[test]
    fn what_is_stiff_dies_away() {
        // The classical method's limit: 0.454 (Kaps and Rentrop, from memory).
        assert!((growth(&Method::classical(), -1e9).abs() - 0.454).abs() < 1e-3);
        assert!(growth(&Method::any_slopes(), -1e9).abs() < 1e-6);
        for exponent in -20..20 {
            let z = -(10_f64.powf(f64::from(exponent) / 4.0));
            for method in [Method::classical(), Method::any_slopes()] {
                assert!(growth(&method, z).abs() < 1.0, "{z}");
            }
        }
        // And over one step that is not stiff, e^z to the order of the method.
        let miss = |method: &Method| (growth(method, -0.01) - (-0.01_f64).exp()).abs();
        assert!(miss(&Method::classical()) < 1e-11 && miss(&Method::any_slopes()) < 1e-9);
    }
}
