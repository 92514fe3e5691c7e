//! Tests: one module a subject.

mod plant;
