//! The machine file: TOML, read and checked with every mistake reported at once, and turned into the core's `Machine`,
//! which can be packed for a board.
//!
//! ```
//! let text = bellcrank_machine::builtin("yard-digger").unwrap();
//! let digger = bellcrank_machine::read("yard-digger.toml", text)?;
//! assert_eq!(digger.axes.len(), 4);
//!
//! let mistakes = bellcrank_machine::read("bad.toml", &text.replace("bore_mm = 80", "bore = 80")).unwrap_err();
//! let said = mistakes.list()[0].to_string();
//! assert!(said.contains(r#"axis "boom" / cylinder / bore: found an unknown key, wanted bore_mm"#), "{said}");
//! # Ok::<(), bellcrank_machine::document::Complaints>(())
//! ```

pub mod description;
pub mod document;
pub mod geometry;

mod build;
mod builtin;
mod file;
mod pack;

pub use build::{BuildError, build};
pub use builtin::{BUILTIN, builtin};
pub use description::Description;
pub use file::{find, load, read, source};
pub use pack::{Packed, pack};

/// Readers of single tables of a machine file, for other files with the same tables.
pub mod tables {
    pub use crate::file::{cylinder, engine, holding, oil, supply, valve};
}
