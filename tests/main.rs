//! Tests: one module a subject.

mod plant;
mod tidy;
