//! A browser without a window, driven by its driver: for the pages that are tested in one.
//!
//! It takes Chromium and its driver: `cargo xtask test` installs them where it may.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};

/// What is waited for comes soon; this is for a machine that has much else to do.
const PATIENCE: Duration = Duration::from_secs(40);

/// The browser's driver, ended with the test.
pub struct Driver {
    process: Child,
    address: String,
}

impl Driver {
    /// # Panics
    /// Without a driver.
    pub fn start() -> Self {
        let mut process = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .spawn()
            .expect(
                "`chromedriver` is needed: `apt-get install chromium chromium-driver`, or what your system has instead",
            );
        let said = BufReader::new(process.stdout.take().unwrap());
        let port = said.lines().map_while(Result::ok).find_map(|line| {
            let (_, port) = line.rsplit_once("started successfully on port ")?;
            port.trim_end_matches('.').parse::<u16>().ok()
        });
        let port = port.expect("chromedriver says its port");
        Self {
            process,
            address: format!("http://127.0.0.1:{port}"),
        }
    }

    /// A browser with a screen of that width, all of whose messages and requests are kept.
    pub async fn browser(&self, width: u32) -> Client {
        let wanted = json!({
            "goog:loggingPrefs": { "browser": "ALL", "performance": "ALL" },
            "goog:chromeOptions": {
                "args": ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"],
                "mobileEmulation": {
                    "deviceMetrics": { "width": width, "height": 900, "pixelRatio": 1, "mobile": width < 500, "touch": false }
                },
            },
        });
        let Value::Object(wanted) = wanted else { unreachable!() };
        ClientBuilder::new(HttpConnector::new())
            .capabilities(wanted)
            .connect(&self.address)
            .await
            .expect("a browser")
    }

    /// Looks at something with a browser of that width, which is closed whatever comes of it.
    pub fn look<F: Future<Output = ()> + Send + 'static>(&self, width: u32, looks: impl FnOnce(Client) -> F) {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        runtime.block_on(async {
            let browser = self.browser(width).await;
            let looked = tokio::spawn(looks(browser.clone())).await;
            browser.close().await.unwrap();
            looked.unwrap();
        });
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// What a browser has noted since it was last asked: `browser` are its messages, `performance` its requests.
#[derive(Debug)]
pub struct Log(pub &'static str);

impl WebDriverCompatibleCommand for Log {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/se/log", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        (http::Method::POST, Some(json!({ "type": self.0 }).to_string()))
    }
}

/// What an expression of the page's script is.
pub async fn ask(browser: &Client, script: &str) -> Value {
    browser.execute(&format!("return {script}"), Vec::new()).await.unwrap()
}

/// Waits until an expression of the page's script is true.
///
/// # Panics
/// If it does not become so.
pub async fn until(browser: &Client, script: &str) {
    let since = Instant::now();
    while ask(browser, &format!("Boolean({script})")).await != true {
        if since.elapsed() > PATIENCE {
            let page = ask(browser, "document.body.innerText").await;
            panic!("never: {script}\n{}", page.as_str().unwrap_or_default());
        }
        tokio::time::sleep(Duration::from_millis(30)).await;
    }
}

/// The page had nothing to complain of; the addresses that it asked for.
pub async fn requests(browser: &Client) -> Vec<String> {
    let messages = browser.issue_cmd(Log("browser")).await.unwrap();
    assert_eq!(messages, json!([]));
    let log = browser.issue_cmd(Log("performance")).await.unwrap();
    let entries = log.as_array().unwrap().iter();
    entries
        .filter_map(|entry| serde_json::from_str::<Value>(entry["message"].as_str()?).ok())
        .filter(|entry| entry["message"]["method"] == "Network.requestWillBeSent")
        .filter_map(|entry| Some(entry["message"]["params"]["request"]["url"].as_str()?.to_owned()))
        .filter(|url| !url.starts_with("data:"))
        .collect()
}

/// Nothing stands out to the side.
pub async fn fits(browser: &Client, width: u32) {
    let root = "document.documentElement";
    let widths = ask(
        browser,
        &format!("[{root}.scrollWidth - {root}.clientWidth, innerWidth]"),
    )
    .await;
    assert_eq!(widths, json!([0, width]));
}
