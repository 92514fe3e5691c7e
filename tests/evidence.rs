//! The page of a campaign, opened in a browser without a window: nothing is fetched and nothing goes wrong, it fits, filters and scrubs, and every
//! picture is told in words.

use std::path::Path;

use fantoccini::{Client, Locator, key::Key};
use tempfile::tempdir;

use crate::browser::{Driver, ask, fits, requests};

/// One fault of each sort, and a machine whose watch sleeps: something fails.
const SUITE: &str = r#"
name = "seen"
about = "a few runs to be looked at"
seed = 3

[limits]
noticed_ms = 5
stopped_ms = 2500
travel_mm = 800

[[work]]
scenario = "straight-lift"

[[cross]]
faults = ["stop button", "sensor open", "valve weak"]
at_s = [2]
operators = ["frozen", "smooth"]
"#;

/// Sensors are noticed broken only after 8 ms: all these runs fail at that limit.
const FAILED: u64 = 8;

/// Chooses in one of the filters, by what is shown.
async fn choose(browser: &Client, filter: &str, shown: &str) {
    let select = browser
        .find(Locator::Css(&format!("select[name={filter}]")))
        .await
        .unwrap();
    select.select_by_label(shown).await.unwrap();
}

async fn shown(browser: &Client) -> String {
    let told = ask(browser, "document.querySelector('#filters output').value").await;
    told.as_str().unwrap().to_owned()
}

async fn assert_shown(browser: &Client, start: &str) {
    let told = shown(browser).await;
    assert!(told.starts_with(start), "{told}");
}

#[test]
fn the_page_of_a_campaign_works_in_a_browser() {
    let folder = tempdir().unwrap();
    std::fs::write(folder.path().join("seen.toml"), SUITE).unwrap();
    crate::command::run(folder.path(), &["prove", "seen.toml"], 1);
    let page = format!("file://{}", folder.path().join("out/seen.html").display());
    let driver = Driver::start();
    for width in [1280, 390] {
        driver.look(width, |browser| look(browser, page.clone(), width));
    }
    assert_sheet_and_results(folder.path());
}

async fn look(browser: Client, page: String, width: u32) {
    browser.goto(&page).await.unwrap();
    fits(&browser, width).await;
    is_told_in_words(&browser).await;
    filters(&browser).await;
    scrubs(&browser).await;
    plays(&browser).await;
    fits(&browser, width).await;
    assert_eq!(requests(&browser).await, [page]);
}

/// Each picture has a title and a description, or a label, unless what it shows stands beside it; each chart a table.
async fn is_told_in_words(browser: &Client) {
    let untold = "[...document.querySelectorAll('svg')].filter((svg) => svg.ariaHidden !== 'true' && !svg.ariaLabel && \
         !(svg.querySelector('title')?.textContent && svg.querySelector('desc')?.textContent)).length";
    assert_eq!(ask(browser, untold).await, 0);
    let pictures = ask(browser, "document.querySelectorAll('svg[role=img]').length").await;
    assert!(pictures.as_u64().unwrap() >= 9, "{pictures}");
    let tables = "[...document.querySelectorAll('section[data-machine] figure')].every((figure) => figure.querySelector('details table'))";
    assert_eq!(ask(browser, tables).await, true);
    let first = ask(browser, "document.querySelector('main > section').id").await;
    assert_eq!(first, "not-exercised");
}

async fn filters(browser: &Client) {
    let rows = "[...document.querySelectorAll('#failed tbody tr')].filter((row) => row.checkVisibility()).length";
    let fields = "[...document.querySelectorAll('.matrix .cell')].filter((field) => field.checkVisibility()).length";
    // One stop button, four sensors, four valves; two operators.
    assert_shown(browser, "Shown: 18 runs").await;
    assert_eq!(ask(browser, rows).await, FAILED);
    let all = ask(browser, fields).await.as_u64().unwrap();

    choose(browser, "operator", "frozen").await;
    assert_shown(browser, "Shown: 9 runs").await;
    assert_eq!(ask(browser, rows).await, FAILED / 2);
    assert_eq!(ask(browser, fields).await, all);

    choose(browser, "fault", "sensor open").await;
    assert_eq!(shown(browser).await, "Shown: 4 runs: 4 failed.");
    assert_eq!(ask(browser, fields).await, 4);

    choose(browser, "verdict", "good").await;
    assert_eq!(shown(browser).await, "Shown: 0 runs.");
    assert_eq!(ask(browser, rows).await, 0);

    let again = browser.find(Locator::Css("#filters button")).await.unwrap();
    again.click().await.unwrap();
    choose(browser, "subsystem", "switches").await;
    assert_eq!(shown(browser).await, "Shown: 2 runs: 2 good.");
    choose(browser, "subsystem", "all").await;
    assert_shown(browser, "Shown: 18 runs").await;
    assert_eq!(ask(browser, fields).await, all);
}

const TIP: &str = "document.querySelector('#film .bones').getAttribute('points')";
const NOW: &str = "document.getElementById('now').textContent";

/// By its slider, from the keyboard, and by its buttons.
async fn scrubs(browser: &Client) {
    let scrub = browser.find(Locator::Id("scrub")).await.unwrap();
    scrub.send_keys(&Key::Home.to_string()).await.unwrap();
    let (start, told) = (ask(browser, TIP).await, ask(browser, NOW).await);
    assert!(told.as_str().unwrap().starts_with("0.00 s"), "{told}");
    scrub.send_keys(&Key::Right.to_string()).await.unwrap();
    let told = ask(browser, NOW).await;
    assert!(told.as_str().unwrap().starts_with("0.02 s"), "{told}");
    scrub.send_keys(&Key::End.to_string()).await.unwrap();
    assert_ne!(ask(browser, TIP).await, start);
    let fault = browser.find(Locator::Css("#player [data-at^='2.000']")).await.unwrap();
    fault.click().await.unwrap();
    let told = ask(browser, NOW).await;
    assert!(told.as_str().unwrap().starts_with("2.00 s"), "{told}");
}

async fn plays(browser: &Client) {
    let play = browser.find(Locator::Id("play")).await.unwrap();
    let before = ask(browser, NOW).await;
    play.send_keys(" ").await.unwrap();
    assert_eq!(play.text().await.unwrap(), "Pause");
    let moved = browser.execute_async(
        "const [before, done] = arguments; const look = () => document.getElementById('now').textContent === before ? \
         requestAnimationFrame(look) : done(true); look();",
        vec![before],
    );
    assert_eq!(moved.await.unwrap(), true);
    play.click().await.unwrap();
    assert_eq!(play.text().await.unwrap(), "Play");
}

/// What stands beside the page is whole.
fn assert_sheet_and_results(folder: &Path) {
    let rows = csv::Reader::from_path(folder.join("out/seen.csv"))
        .unwrap()
        .into_records()
        .count();
    assert_eq!(rows, 18);
    let results = std::fs::read_to_string(folder.join("out/seen.junit.xml")).unwrap();
    assert!(
        results.contains("failures=\"1\"") && results.contains("bellcrank prove seen.toml --repeat"),
        "{results}"
    );
}
