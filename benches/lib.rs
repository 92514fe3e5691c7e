//! Benches live in the files beside this one.
