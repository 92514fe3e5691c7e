//! The shape of a machine's mechanism, and symmetric matrices with that shape.
//!
//! Joints form a tree: each has at most one parent. The mass matrix of such a mechanism is zero wherever neither joint
//! carries the other, so two arms on one carrier cost twice one arm, not eight times. `L' D L` keeps those zeros where
//! `L D L'` or Cholesky would fill them. Source: Featherstone, *Rigid Body Dynamics Algorithms* (2008), section 6.5
//! (from memory).

/// Most joints of a mechanism: two arms of seven.
pub const JOINTS_MAX: usize = 14;

/// One number for each joint.
pub type PerJoint = [f64; JOINTS_MAX];

/// Which joint sits on which.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tree {
    len: usize,
    /// [`NONE`] for a joint on the carrier.
    parent: [u8; JOINTS_MAX],
    /// Every parent before its children.
    order: [usize; JOINTS_MAX],
}

/// No parent.
const NONE: u8 = u8::MAX;

/// Why a list of parents is not a tree that can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TreeError {
    /// There are more than [`JOINTS_MAX`] joints.
    #[error("{0} joints: at most {JOINTS_MAX}")]
    TooMany(usize),
    /// A joint's parent does not exist, or the joint is its own ancestor.
    #[error("joint {0} does not lead back to the carrier")]
    Adrift(usize),
}

impl Tree {
    /// From the parent of each joint; `None` sits on the carrier.
    ///
    /// # Errors
    /// [`TreeError`] if there are too many joints, or one of them does not lead back to the carrier.
    pub fn new(parents: &[Option<usize>]) -> Result<Tree, TreeError> {
        if parents.len() > JOINTS_MAX {
            return Err(TreeError::TooMany(parents.len()));
        }
        let mut tree = Tree {
            len: parents.len(),
            parent: [NONE; JOINTS_MAX],
            order: [0; JOINTS_MAX],
        };
        for (parent, given) in tree.parent.iter_mut().zip(parents) {
            *parent = given.and_then(|joint| u8::try_from(joint).ok()).unwrap_or(NONE);
        }
        let mut placed = [false; JOINTS_MAX];
        for slot in 0..parents.len() {
            let ready = |i: &usize| !placed[*i] && parents[*i].is_none_or(|p| p < parents.len() && placed[p]);
            let Some(next) = (0..parents.len()).find(ready) else {
                let adrift = placed.iter().position(|done| !done).unwrap_or(0);
                return Err(TreeError::Adrift(adrift));
            };
            placed[next] = true;
            tree.order[slot] = next;
        }
        Ok(tree)
    }

    /// A single joint on the carrier.
    pub fn single() -> Tree {
        Tree {
            len: 1,
            parent: [NONE; JOINTS_MAX],
            order: [0; JOINTS_MAX],
        }
    }

    /// Number of joints.
    pub fn len(&self) -> usize {
        self.len
    }

    /// No joints at all.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The joint on which `joint` sits.
    pub fn parent(&self, joint: usize) -> Option<usize> {
        match self.parent[joint] {
            NONE => None,
            parent => Some(usize::from(parent)),
        }
    }

    /// All joints, parents before children.
    pub fn outward(&self) -> &[usize] {
        &self.order[..self.len]
    }

    /// The joints that carry `joint`, from its parent to the carrier.
    pub fn ancestors(&self, joint: usize) -> impl Iterator<Item = usize> + '_ {
        let mut next = self.parent[joint];
        std::iter::from_fn(move || {
            let joint = usize::from(next);
            // No parent lies beyond every joint.
            next = *self.parent.get(joint)?;
            Some(joint)
        })
    }
}

/// A symmetric matrix whose entry (i, j) is zero unless i carries j or j carries i. Only the rows of the carried joint
/// are kept.
#[derive(Debug, Clone, Copy)]
pub struct TreeMatrix {
    entry: [PerJoint; JOINTS_MAX],
}

impl TreeMatrix {
    /// All zero.
    pub fn zero() -> TreeMatrix {
        TreeMatrix {
            entry: [[0.0; JOINTS_MAX]; JOINTS_MAX],
        }
    }

    /// The entry of `carried` and `carrier` (the same joint, or an ancestor of it).
    pub fn set(&mut self, carried: usize, carrier: usize, value: f64) {
        self.entry[carried][carrier] = value;
    }

    /// Adds to a diagonal entry.
    pub fn add(&mut self, joint: usize, value: f64) {
        self.entry[joint][joint] += value;
    }

    /// Any entry, whichever way round.
    pub fn get(&self, tree: &Tree, i: usize, j: usize) -> f64 {
        let carries = |low: usize, high: usize| low == high || tree.ancestors(low).any(|a| a == high);
        match (carries(i, j), carries(j, i)) {
            (true, _) => self.entry[i][j],
            (_, true) => self.entry[j][i],
            _ => 0.0,
        }
    }

    /// The product with a vector.
    pub fn times(&self, tree: &Tree, x: &[f64]) -> PerJoint {
        let mut y = [0.0; JOINTS_MAX];
        for &i in tree.outward() {
            y[i] += self.entry[i][i] * x[i];
            for j in tree.ancestors(i) {
                y[i] += self.entry[i][j] * x[j];
                y[j] += self.entry[i][j] * x[i];
            }
        }
        y
    }

    /// Copies what a tree uses of another matrix.
    pub fn copy(&mut self, tree: &Tree, from: &TreeMatrix) {
        self.entry[..tree.len].copy_from_slice(&from.entry[..tree.len]);
    }

    /// Factors a positive definite matrix into `L' D L`, in its place: the shares of `L`, and one over `D` on the
    /// diagonal.
    pub fn factor(&mut self, tree: &Tree) {
        for &k in tree.outward().iter().rev() {
            let row = self.entry[k];
            let inverse = 1.0 / row[k];
            for i in tree.ancestors(k) {
                let share = row[i] * inverse;
                self.entry[i][i] -= share * row[i];
                for j in tree.ancestors(i) {
                    self.entry[i][j] -= share * row[j];
                }
                self.entry[k][i] = share;
            }
            self.entry[k][k] = inverse;
        }
    }

    /// Solves in place, after [`TreeMatrix::factor`].
    pub fn solve(&self, tree: &Tree, x: &mut [f64]) {
        for &i in tree.outward().iter().rev() {
            for j in tree.ancestors(i) {
                x[j] -= self.entry[i][j] * x[i];
            }
        }
        for &i in tree.outward() {
            x[i] *= self.entry[i][i];
            for j in tree.ancestors(i) {
                x[i] -= self.entry[i][j] * x[j];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solving_undoes_multiplying_whatever_the_numbering() {
        // Two arms that share joint 4, numbered out of order.
        let tree = Tree::new(&[Some(4), Some(0), Some(3), Some(4), None]).expect("a tree");
        assert_eq!(tree.outward()[0], 4);
        let mut matrix = TreeMatrix::zero();
        for i in 0..5 {
            matrix.set(i, i, 5.0 + i as f64);
            for j in tree.ancestors(i) {
                matrix.set(i, j, 0.5 + 0.1 * (i + 2 * j) as f64);
            }
        }
        assert_eq!(matrix.get(&tree, 1, 2), 0.0, "the arms do not touch");
        assert_eq!(matrix.get(&tree, 4, 1), matrix.get(&tree, 1, 4));
        let x = [1.0, -2.0, 0.5, 3.0, -0.25];
        let mut y = matrix.times(&tree, &x);
        matrix.factor(&tree);
        matrix.solve(&tree, &mut y);
        for i in 0..5 {
            assert!((y[i] - x[i]).abs() < 1e-14, "{i}: {} against {}", y[i], x[i]);
        }
    }

    #[test]
    fn what_is_no_tree_is_refused() {
        assert_eq!(Tree::new(&[Some(1), Some(0)]), Err(TreeError::Adrift(0)));
        assert_eq!(Tree::new(&[None, Some(7)]), Err(TreeError::Adrift(1)));
        assert_eq!(Tree::new(&[None; 15]), Err(TreeError::TooMany(15)));
    }
}
