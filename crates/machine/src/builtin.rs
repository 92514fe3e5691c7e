//! The machines that come with the software.

/// Names of the built-in machines.
pub const BUILTIN: [&str; 2] = ["yard-digger", "drystone-setter"];

/// The machine file of a built-in machine; none for any other name.
pub fn builtin(name: &str) -> Option<&'static str> {
    match name {
        "yard-digger" => Some(include_str!("../machines/yard-digger.toml")),
        "drystone-setter" => Some(include_str!("../machines/drystone-setter.toml")),
        _ => None,
    }
}
