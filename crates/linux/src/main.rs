//! The command `bellcrank-linux`.

use std::process::ExitCode;

fn main() -> ExitCode {
    bellcrank_linux::cli::main()
}
