//! Every kind of mistake once, and the machines that have none.

use super::read;
use crate::{BUILTIN, builtin};
