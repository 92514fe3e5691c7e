//! The browser that the page of a campaign is opened in.

use std::process::Command;

use miette::Result;

use crate::debian;

/// Finds the browser's driver, which finds its browser; installs both where they are not there. Both in one go: they must be of one version.
///
/// # Errors
///
/// It is not there and cannot be installed.
pub fn find() -> Result<()> {
    let there = Command::new("chromedriver").arg("--version").output();
    if let Ok(output) = there.as_ref().map(|output| String::from_utf8_lossy(&output.stdout)) {
        println!("{}", output.trim());
        return Ok(());
    }
    let instead = "missing: chromedriver. Install Chromium and its driver, both of one version";
    debian::install(&["chromium", "chromium-driver"], instead)
}
