//! What the benches share: the machines at work, and the single cylinder's equations written plainly.

pub mod at_work;
