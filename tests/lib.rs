//! What tests and benches share; the tests themselves live in `main.rs` and its modules.

pub mod captures;
pub mod cases;
pub mod moves;
pub mod poses;
