//! The command `bellcrank`.

use std::process::ExitCode;

fn main() -> ExitCode {
    bellcrank_sim::cli::main()
}
