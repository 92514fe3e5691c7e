//! Puts `memory.x` where the linker looks for it.

use std::{env, fs, path::Path};

fn main() {
    let out = env::var_os("OUT_DIR").expect("cargo sets it");
    let out = Path::new(&out);
    fs::copy("memory.x", out.join("memory.x")).expect("it can be copied");
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rerun-if-changed=memory.x");
}
