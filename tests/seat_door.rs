//! At the seat's door: strangers, watchers, and a hundred thousand messages of nonsense.

use std::time::Duration;

use bellcrank_core::inputs::Mode;
use bellcrank_core::supervise::State;
use bellcrank_sim::clearance::Least;
use bellcrank_sim::live::built;
use bellcrank_sim::scenario;
use bellcrank_sim::seat::desk::{LONGEST, Said};
use bellcrank_sim::seat::hub::{Answer, Hub};
use bellcrank_sim::seat::session::{Held, Session, settled, start};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use serde_json::Value;
use tempfile::tempdir;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_tungstenite::WebSocketStream;
use tokio_tungstenite::tungstenite::{Error, Message, handshake::client::generate_key};

use crate::seat::Served;

/// Longest that anything is waited for.
const PATIENCE: Duration = Duration::from_secs(20);

/// What a link is made of: address and path.
fn parts(link: &str) -> (&str, &str) {
    let rest = link.strip_prefix("http://").unwrap();
    let (address, _) = rest.split_once('/').unwrap();
    (address, &rest[address.len()..])
}

/// The first line of the answer to a request with these headers.
async fn answered(address: &str, method: &str, path: &str, headers: &str) -> String {
    let mut stream = TcpStream::connect(address).await.unwrap();
    let request = format!("{method} {path} HTTP/1.1\r\n{headers}Connection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    answer.lines().next().unwrap_or_default().to_owned()
}

/// Somebody with a WebSocket.
pub struct Somebody(WebSocketStream<TcpStream>);

impl Somebody {
    pub async fn at(link: &str) -> Self {
        let (address, path) = parts(link);
        let connected = Self::knocking(address, &format!("{path}live"), address, &format!("http://{address}")).await;
        connected.expect("let in")
    }

    async fn knocking(address: &str, path: &str, host: &str, origin: &str) -> Result<Self, Error> {
        let stream = TcpStream::connect(address).await.unwrap();
        let mut request = http::Request::get(format!("ws://{address}{path}"))
            .header("Host", host)
            .header("Connection", "Upgrade")
            .header("Upgrade", "websocket")
            .header("Sec-WebSocket-Version", "13")
            .header("Sec-WebSocket-Key", generate_key());
        if !origin.is_empty() {
            request = request.header("Origin", origin);
        }
        let (socket, _) = tokio_tungstenite::client_async(request.body(()).unwrap(), stream).await?;
        Ok(Self(socket))
    }

    async fn say(&mut self, text: impl Into<String>) -> Result<(), Error> {
        use futures_util::SinkExt;
        self.0.send(Message::text(text.into())).await
    }

    /// The next message for which that holds.
    pub async fn hear(&mut self, wanted: impl Fn(&Value) -> bool) -> Value {
        use futures_util::StreamExt;
        let heard = async {
            loop {
                let message = self.0.next().await.expect("still connected").expect("a message");
                let Ok(text) = message.into_text() else { continue };
                let Ok(value) = serde_json::from_str::<Value>(&text) else {
                    continue;
                };
                if wanted(&value) {
                    return value;
                }
            }
        };
        tokio::time::timeout(PATIENCE, heard).await.expect("heard in time")
    }

    async fn note(&mut self) -> String {
        self.hear(|said| said["kind"] == "note").await["text"]
            .as_str()
            .unwrap()
            .to_owned()
    }

    /// Until the other side has ended it.
    async fn shown_out(&mut self) {
        use futures_util::StreamExt;
        let gone = async { while let Some(Ok(_)) = self.0.next().await {} };
        tokio::time::timeout(PATIENCE, gone).await.expect("shown out");
    }
}

fn hands(n: u64, lever: i16, enable: bool, reset: bool) -> String {
    format!(
        r#"{{"kind":"hands","n":{n},"levers":[0,{lever}],"mode":"joint","frame":"machine","slow":false,"enable":{enable},"reset":{reset}}}"#
    )
}

fn runs<F: Future<Output = ()>>(test: F) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    runtime.unwrap().block_on(test);
}

#[test]
fn strangers_are_not_let_in() {
    let folder = tempdir().unwrap();
    let served = Served::start(folder.path(), &["yard digger"]);
    let (address, path) = parts(&served.link);
    let (port, own) = (address.rsplit_once(':').unwrap().1, format!("http://{address}"));
    runs(async {
        let page = |headers: String| async move { answered(address, "GET", path, &headers).await };
        assert!(page(format!("Host: {address}\r\n")).await.contains("200"));
        assert!(page(format!("Host: localhost:{port}\r\n")).await.contains("200"));
        assert!(
            page(format!("Host: stone.example:{port}\r\n")).await.contains("403"),
            "a name pointed here"
        );
        assert!(page("Host: 127.0.0.1:1\r\n".to_owned()).await.contains("403"));
        assert!(
            page(format!("Host: {address}\r\nOrigin: http://stone.example\r\n"))
                .await
                .contains("403")
        );
        assert!(
            page(format!("Host: {address}\r\nOrigin: null\r\n"))
                .await
                .contains("403")
        );
        let host = format!("Host: {address}\r\n");
        for path in [
            "/",
            "/live",
            "/main.js",
            "/0123456789abcdef0123456789abcdef/",
            "/../etc/passwd",
            "//",
        ] {
            let answer = answered(address, "GET", path, &host).await;
            assert!(
                ["403", "404"].iter().any(|code| answer.contains(code)),
                "{path}: {answer}"
            );
        }
        assert!(answered(address, "POST", path, &host).await.contains("405"));
        let inside = format!("{path}..%2f..%2fCargo.toml");
        assert!(answered(address, "GET", &inside, &host).await.contains("404"));

        let live = format!("{path}live");
        let refused = |result: Result<Somebody, Error>| match result {
            Err(Error::Http(response)) => response.status().as_u16(),
            Ok(_) => 101,
            Err(error) => panic!("{error}"),
        };
        assert_eq!(refused(Somebody::knocking(address, &live, address, &own).await), 101);
        assert_eq!(refused(Somebody::knocking(address, &live, address, "").await), 403);
        assert_eq!(
            refused(Somebody::knocking(address, &live, address, "http://stone.example").await),
            403
        );
        assert_eq!(refused(Somebody::knocking(address, &live, address, "null").await), 403);
        let foreign = format!("stone.example:{port}");
        let named = format!("http://{foreign}");
        assert_eq!(refused(Somebody::knocking(address, &live, &foreign, &named).await), 403);
        assert_eq!(
            refused(Somebody::knocking(address, "/wrong/live", address, &own).await),
            404
        );
    });
}

#[test]
fn an_address_that_others_can_reach_wants_to_be_asked_for() {
    let folder = tempdir().unwrap();
    let refused = crate::command::run(folder.path(), &["seat", "--listen", "0.0.0.0:0"], 2);
    let said = String::from_utf8_lossy(&refused.stderr);
    assert!(
        said.contains("--listen: found 0.0.0.0") && said.contains("--open-to-network"),
        "{said}"
    );
    assert!(!folder.path().join("out").exists());
}

#[test]
fn one_drives_and_others_watch_and_press_stop() {
    let folder = tempdir().unwrap();
    let mut served = Served::start(folder.path(), &["yard digger"]);
    runs(async {
        let (mut one, mut two) = (Somebody::at(&served.link).await, Somebody::at(&served.link).await);
        one.say(r#"{"kind":"sit"}"#).await.unwrap();
        one.hear(|said| !said["holder"].is_null()).await;
        for (order, answer) in [
            (r#"{"kind":"sit"}"#.to_owned(), "the seat is taken"),
            (hands(1, 100, true, false), "you are watching: take the seat first"),
            (
                r#"{"kind":"stop","pressed":false}"#.to_owned(),
                "you are watching: take the seat first",
            ),
            (
                r#"{"kind":"fault","entry":"valve stuck","axis":0,"amount":0}"#.to_owned(),
                "you are watching: take the seat first",
            ),
            (r#"{"kind":"save"}"#.to_owned(), "you are watching: take the seat first"),
            ("nonsense".to_owned(), "not understood"),
        ] {
            two.say(order).await.unwrap();
            assert_eq!(two.note().await, answer);
        }
        // Time begins with the first word of whoever sits there; nothing of what the other said has come through.
        one.say(hands(1, 0, false, false)).await.unwrap();
        let begun = one.hear(|said| said["begun"] == true).await;
        assert_eq!(
            (&begun["enable"], begun["faults"].as_array().unwrap().len()),
            (&Value::Bool(false), 0)
        );
        two.say(r#"{"kind":"stop","pressed":true}"#).await.unwrap();
        one.hear(|said| said["stop"] == true && said["neutral"] == true).await;
        // Whoever leaves takes the hands off, and the seat is free.
        drop(one);
        two.hear(|said| said["kind"] == "now" && said["holder"].is_null() && said["silent"] == true)
            .await;
        two.say(r#"{"kind":"sit"}"#).await.unwrap();
        two.hear(|said| !said["holder"].is_null()).await;
        // What is too long, and what goes on for too long.
        let mut three = Somebody::at(&served.link).await;
        let _ = three.say("x".repeat(1 << 20)).await;
        three.shown_out().await;
        let mut four = Somebody::at(&served.link).await;
        for _ in 0..1000 {
            if four.say("[]").await.is_err() {
                break;
            }
        }
        four.shown_out().await;
        two.hear(|said| said["kind"] == "now").await;
    });
    served.assert_up();
}

/// Messages of all kinds: some right, many that somebody has trodden on.
struct Nonsense(StdRng);

impl Nonsense {
    fn pick<'t>(&mut self, among: &[&'t str]) -> &'t str {
        among[self.0.random_range(0..among.len())]
    }

    /// The message of that number. They go round: a stop that is let out, a reset, the enabling switch, then levers that go everywhere.
    fn message(&mut self, n: u64) -> String {
        let phase = n % 12_000;
        let aside = self.0.random_range(-140..=140_i32);
        let lever = if phase < 4000 { 0 } else { aside };
        let mode = self.pick(&["tip", "tip", "tip", "tip", "joint", "carry", "fly"]);
        let hands = format!(
            r#"{{"kind":"hands","n":{},"levers":[{lever},{},0,{lever}],"mode":"{mode}","frame":"seat","slow":{},"enable":{},"reset":{}}}"#,
            n.saturating_sub(self.0.random_range(0..4)),
            lever / 2,
            aside > 0,
            phase > 3000,
            (1000..2000).contains(&phase),
        );
        let order = match self.0.random_range(0..200) {
            0..50 => r#"{"kind":"sit"}"#.to_owned(),
            50 => r#"{"kind":"rise"}"#.to_owned(),
            51..60 => format!(
                r#"{{"kind":"fault","entry":"hose burst","axis":{},"amount":0.9}}"#,
                aside.abs()
            ),
            60..70 => r#"{"kind":"tune","changes":[["drive/ramp_up_ms",1e9],["../x",0]]}"#.to_owned(),
            70..80 => r#"{"kind":"write","given":true}"#.to_owned(),
            80..90 => r#"{"kind":"load","arm":1,"mass":4000}"#.to_owned(),
            90..100 if phase < 1000 => format!(r#"{{"kind":"stop","pressed":{}}}"#, phase < 500),
            _ => hands,
        };
        let mut bytes = order.into_bytes();
        match self.0.random_range(0..10) {
            0 => bytes.truncate(self.0.random_range(0..bytes.len())),
            1 | 2 => {
                for _ in 0..self.0.random_range(1..6) {
                    let at = self.0.random_range(0..bytes.len());
                    bytes[at] = self.0.random();
                }
            }
            3 => bytes.extend(std::iter::repeat_n(b'[', self.0.random_range(0..2 * LONGEST))),
            _ => {}
        }
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

/// A hundred thousand messages: of one who sits there and two who watch, in time and late, right and not. What counts is what is right, is new and comes
/// from whoever has the seat; nobody else's order comes through; power goes with the enabling switch and with silence; and no part of an arm enters a zone.
#[test]
fn a_hundred_thousand_messages_of_nonsense_harm_nothing() {
    let work = scenario::builtin("go-to").unwrap();
    let work = scenario::parse("go-to", work, std::path::Path::new("")).unwrap();
    let begun = settled(&start(&work)).unwrap();
    let core = built(&begun.machine).unwrap();
    let mut session = Session::new(&begun, &core, 1).unwrap();
    let (mut desk, mut nonsense) = (
        bellcrank_sim::seat::desk::Desk::default(),
        Nonsense(StdRng::seed_from_u64(11)),
    );
    let mut model: (Option<u64>, Option<(Held, u64)>) = (None, None);
    let mut least = Least::of(&begun.machine);
    let (mut driven, mut unasked, mut heard) = (0, 0.0_f64, Duration::ZERO);
    let tick = begun.machine.timing.tick;
    for number in 0..100_000_u64 {
        let now = Duration::from_secs_f64(session.live.time());
        let who = nonsense.0.random_range(1..=3);
        let text = nonsense.message(number);
        if let Ok(said) = Said::read(&text) {
            let before = model.0;
            let orders = desk.hear(who, said.clone(), now);
            if orders.as_ref().is_ok_and(Option::is_some) {
                assert_eq!(before, Some(who), "{text}");
            }
            match said {
                Said::Sit {} if before.is_none() => model = (Some(who), None),
                Said::Rise {} if before == Some(who) => model = (None, None),
                Said::Hands { n, .. } if before == Some(who) && model.1.is_none_or(|(_, last)| n > last) => {
                    let held = desk.asked(now).held.unwrap();
                    (model.1, heard) = (Some((held, n)), now);
                }
                _ => {}
            }
            assert_eq!(desk.holder(), model.0);
        }
        // Now and then nobody says anything for a while.
        let ticks = match number % 5000 {
            0 => 250,
            _ => u64::from(number % 16 == 0),
        };
        for _ in 0..ticks {
            let t = Duration::from_secs_f64(session.live.time());
            let asked = desk.asked(t);
            let fresh = model
                .1
                .filter(|_| t.saturating_sub(heard) <= Duration::from_millis(250));
            assert_eq!(asked.held, fresh.map(|(held, _)| held));
            session.hands(asked.held, asked.stop);
            session.tick().unwrap();
            least.look(&begun.machine, session.live.plant.pose());
            let power = session.live.outputs.relays.valve_power;
            driven += u32::from(session.live.outputs.status.state == State::Enabled);
            let wanted = asked.held.is_some_and(|held| held.enable) && !asked.stop;
            unasked = if wanted || !power { 0.0 } else { unasked + tick };
            // A link that is lost is late first (frame_late_ms), a switch that is let go debounced; then the ramp has its budget.
            let timing = &begun.machine.timing;
            let most = begun.machine.stations.seat.frame_late + timing.debounce + timing.stop_budget + 0.02;
            assert!(unasked <= most, "{unasked} s of power that nobody asks for");
        }
    }
    assert!(driven > 500, "it was hardly ever enabled: {driven} ticks");
    assert!(least.zones.iter().flatten().all(|clear| *clear > 0.0), "{least:?}");
    assert!(session.live.scenario().payloads.len() == begun.payloads.len());
}

/// Orders that nobody takes out of their queue are refused, and keep nobody waiting.
#[test]
fn a_full_queue_refuses() {
    let (hub, orders) = Hub::new(1.0);
    let (answers, _kept) = tokio::sync::mpsc::channel(1);
    hub.desk().sit(1).unwrap();
    let full = (0..1000).filter(|_| matches!(hub.hear(1, r#"{"kind":"save"}"#, &answers), Some(Answer::Note(_))));
    let refused = full.count();
    assert!((900..1000).contains(&refused), "{refused}");
    assert_eq!(orders.try_iter().count(), 1000 - refused);
    // Hands and the stop button have no queue.
    assert!(hub.hear(1, &hands(1, 5, true, false), &answers).is_none());
    assert!(hub.hear(2, r#"{"kind":"stop","pressed":true}"#, &answers).is_none());
    let asked = hub.desk().asked(hub.now());
    assert!(
        asked.stop
            && asked
                .held
                .is_some_and(|held| held.mode == Mode::Joint && held.levers[1] == 5)
    );
}
