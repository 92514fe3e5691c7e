//! What the benches share: the machines at work, the single cylinder's equations written plainly, and integrators to
//! compare ours with.

pub mod at_work;
pub mod fixed_step;
pub mod plain;

/// Whether the bench that runs is to be measured: `cargo bench` says so, `cargo test` does not.
pub fn measuring() -> bool {
    let given = |wanted| std::env::args().any(|argument| argument == wanted);
    given("--bench") && !given("--test")
}
