//! Tests live in `main.rs` and its modules.
