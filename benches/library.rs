//! The single-cylinder benchmark by the solvers of `diffsol`: the plain equations with their exact Jacobian, a fresh
//! start at each jump, and the library's own interpolation between its steps.

use std::cell::Cell;

use bellcrank_benches::plain::{SIZE, STATES, SingleCylinder, States, sample};
use bellcrank_sim::plant::rig::Sample;
use diffsol::error::DiffsolError;
use diffsol::{NalgebraLU, NalgebraMat, NalgebraVec, OdeBuilder, OdeEquations, OdeSolverMethod, OdeSolverStopReason};

/// A solver of the library's.
#[allow(dead_code, reason = "some benches need only one")]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Backward differences of order 1 to 5.
    Bdf,
    /// Trapezoid and backward difference, order 2.
    TrBdf2,
    /// Singly diagonally implicit Runge-Kutta, order 3.
    Esdirk34,
}

/// Solves, looked at every `interval`: the samples and the number of steps. The absolute tolerance of each state is `rel`
/// times `floor` times its size.
pub fn solve(
    plain: &SingleCylinder,
    method: Method,
    rel: f64,
    floor: f64,
    interval: f64,
) -> Result<(Vec<Sample>, u64), DiffsolError> {
    type Solver = NalgebraLU<f64>;
    let pieces = plain.pieces();
    let (now, begin) = (Cell::new(pieces[0]), Cell::new(plain.start()));
    let slopes = Cell::new(([f64::NAN; STATES], [[0.0; STATES]; STATES]));
    let mut problem = OdeBuilder::<NalgebraMat<f64>>::new()
        .rtol(rel)
        .atol(SIZE.map(|size| rel * floor * size))
        .h0(1e-4)
        .rhs_implicit(
            |y, _, _, rates| plain.rates(&now.get(), y, rates),
            |y, _, _, along, out| {
                // Asked column by column at one place: worked out once.
                let mut held = slopes.get();
                if held.0 != y {
                    held.0.copy_from_slice(y);
                    held.1 = plain.jacobian(&now.get(), y);
                    slopes.set(held);
                }
                for (out, row) in out.iter_mut().zip(held.1) {
                    *out = row.iter().zip(along).map(|(slope, step)| slope * step).sum();
                }
            },
        )
        .init(|_, _, y| y.copy_from_slice(&begin.get()), STATES)
        .build()?;
    let mut taken = Taken {
        interval,
        samples: vec![sample(0.0, &begin.get())],
        steps: 0,
    };
    for piece in pieces {
        now.set(piece);
        problem.t0 = piece.from;
        begin.set(match method {
            Method::Bdf => taken.piece(problem.bdf::<Solver>()?, piece.to)?,
            Method::TrBdf2 => taken.piece(problem.tr_bdf2::<Solver>()?, piece.to)?,
            Method::Esdirk34 => taken.piece(problem.esdirk34::<Solver>()?, piece.to)?,
        });
    }
    Ok((taken.samples, taken.steps))
}

/// What has been taken down so far.
struct Taken {
    interval: f64,
    samples: Vec<Sample>,
    steps: u64,
}

impl Taken {
    /// Steps to the end of a piece: the states there.
    fn piece<'a, E>(&mut self, mut solver: impl OdeSolverMethod<'a, E>, end: f64) -> Result<States, DiffsolError>
    where
        E: OdeEquations<T = f64, V = NalgebraVec<f64>> + 'a,
    {
        let mut between = solver.state().y.clone();
        solver.set_stop_time(end)?;
        loop {
            let reason = solver.step()?;
            self.steps += 1;
            let time = solver.state().t;
            loop {
                let row = self.samples.len() as f64 * self.interval;
                if row > time + 1e-9 {
                    break;
                }
                solver.interpolate_inplace(row.min(time), &mut between)?;
                self.samples.push(sample(row, &states(&between)));
            }
            if reason == OdeSolverStopReason::TstopReached {
                return Ok(states(solver.state().y));
            }
        }
    }
}

fn states(vector: &NalgebraVec<f64>) -> States {
    std::array::from_fn(|state| vector[state])
}
