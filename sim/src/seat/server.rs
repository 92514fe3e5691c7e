//! The server: the page's files, and a WebSocket for each who is connected.
//!
//! Everything stands behind the secret in the address. Whoever is slow misses moments and costs nobody time; whoever talks nonsense for long is
//! shown out.

use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::extract::{Path, Request, State};
use axum::http::{HeaderName, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{any, get};
use serde::Serialize;
use tokio::net::TcpListener;
use tokio::sync::mpsc;

use super::desk::LONGEST;
use super::doors::{Secret, meant_for};
use super::hub::{Answer, For, Hub, Note, Shown, Tape};
use super::replay::replay;
use super::shelf::Shelf;

/// Most who are connected at a time.
const SEATS: usize = 32;
/// Answers that wait for somebody at most.
const ANSWERS: usize = 16;
/// Whoever does not take a message for so long is gone.
const PATIENCE: Duration = Duration::from_secs(2);
/// Messages that are none, of one who is connected, before he is shown out.
const NONSENSE: usize = 200;

/// What the page is made of: path, kind, text.
const FILES: [(&str, &str, &str); 10] = [
    ("", "text/html", include_str!("page/index.html")),
    ("seat.css", "text/css", include_str!("page/seat.css")),
    ("main.js", "text/javascript", include_str!("page/main.js")),
    ("wire.js", "text/javascript", include_str!("page/wire.js")),
    ("hands.js", "text/javascript", include_str!("page/hands.js")),
    ("pads.js", "text/javascript", include_str!("page/pads.js")),
    ("views.js", "text/javascript", include_str!("page/views.js")),
    ("strips.js", "text/javascript", include_str!("page/strips.js")),
    ("bench.js", "text/javascript", include_str!("page/bench.js")),
    ("film.js", "text/javascript", include_str!("page/film.js")),
];

/// What every answer says: nothing from elsewhere, in no other page, kept nowhere.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// What every request is answered from.
pub struct Server {
    hub: Arc<Hub>,
    secret: Secret,
    port: u16,
    shelf: Shelf,
    next: AtomicU64,
    connected: AtomicUsize,
    rehearsing: Mutex<()>,
    /// The last rehearsal, for whoever has asked for it to fetch.
    film: Mutex<(u64, String)>,
}

impl Server {
    /// A server of what the hub shows, on that port.
    pub fn new(hub: Arc<Hub>, secret: Secret, port: u16, shelf: Shelf) -> Self {
        Self {
            hub,
            secret,
            port,
            shelf,
            next: AtomicU64::new(1),
            connected: AtomicUsize::new(0),
            rehearsing: Mutex::default(),
            film: Mutex::default(),
        }
    }

    /// Serves for as long as the program runs.
    ///
    /// # Errors
    /// The system takes the listener away.
    pub async fn serve(self, listener: TcpListener) -> std::io::Result<()> {
        let server = Arc::new(self);
        let guarded = middleware::from_fn_with_state(Arc::clone(&server), guard);
        let router = Router::new()
            .route("/{secret}/", get(file))
            .route("/{secret}/{file}", get(file))
            .route("/{secret}/film/{number}", get(film))
            .route("/{secret}/live", any(live))
            .fallback(|| async { StatusCode::NOT_FOUND })
            .layer(guarded)
            .with_state(server);
        axum::serve(listener, router).await
    }
}

/// Lets in what is meant for this server and knows the secret, and says to the browser what it may do with the answer.
async fn guard(State(server): State<Arc<Server>>, request: Request, next: Next) -> Response {
    let path = request.uri().path();
    let told = path.trim_start_matches('/').split('/').next().unwrap_or_default();
    let page = !path.ends_with("/live");
    let mut response = if !meant_for(request.headers(), server.port, page) {
        StatusCode::FORBIDDEN.into_response()
    } else if server.secret.is(told) {
        next.run(request).await
    } else {
        StatusCode::NOT_FOUND.into_response()
    };
    for (name, value) in HEADERS {
        response
            .headers_mut()
            .insert(name, header::HeaderValue::from_static(value));
    }
    response
}

async fn file(Path(parts): Path<Vec<(String, String)>>) -> Response {
    let wanted = parts
        .iter()
        .find(|(key, _)| key == "file")
        .map_or("", |(_, file)| file.as_str());
    let found = FILES.iter().find(|(path, ..)| *path == wanted);
    found.map_or_else(
        || StatusCode::NOT_FOUND.into_response(),
        |(_, kind, text)| ([(header::CONTENT_TYPE, format!("{kind}; charset=utf-8"))], *text).into_response(),
    )
}

async fn film(State(server): State<Arc<Server>>, Path((_, number)): Path<(String, u64)>) -> Response {
    let film = server.film.lock().ok().filter(|film| film.0 == number && number > 0);
    film.map_or_else(
        || StatusCode::NOT_FOUND.into_response(),
        |film| ([(header::CONTENT_TYPE, "application/json")], Body::from(film.1.clone())).into_response(),
    )
}

async fn live(State(server): State<Arc<Server>>, upgrade: WebSocketUpgrade) -> Response {
    if server.connected.load(Ordering::Relaxed) >= SEATS {
        return StatusCode::SERVICE_UNAVAILABLE.into_response();
    }
    upgrade
        .max_message_size(LONGEST)
        .max_frame_size(LONGEST)
        .on_upgrade(|socket| async move {
            server.connected.fetch_add(1, Ordering::Relaxed);
            let who = server.next.fetch_add(1, Ordering::Relaxed);
            Connection::new(&server, who, socket).go().await;
            server.hub.desk().rise(who);
            server.connected.fetch_sub(1, Ordering::Relaxed);
        })
}

/// Somebody who is connected.
struct Connection<'s> {
    server: &'s Arc<Server>,
    who: u64,
    socket: WebSocket,
    nonsense: usize,
    /// The session and the lines of its log that have been told.
    session: u32,
    lines: usize,
}

#[derive(Serialize)]
struct You {
    kind: &'static str,
    you: u64,
}

/// The connection is at its end.
struct Gone;

impl<'s> Connection<'s> {
    fn new(server: &'s Arc<Server>, who: u64, socket: WebSocket) -> Self {
        Self {
            server,
            who,
            socket,
            nonsense: 0,
            session: 0,
            lines: 0,
        }
    }

    async fn go(&mut self) {
        let mut shown = self.server.hub.look();
        let (answers, mut answered) = mpsc::channel(ANSWERS);
        let you = serde_json::to_string(&You {
            kind: "you",
            you: self.who,
        });
        if self.send(you.unwrap_or_default().into()).await.is_err() {
            return;
        }
        loop {
            let done = tokio::select! {
                changed = shown.changed() => {
                    let newest = shown.borrow_and_update().clone();
                    if changed.is_err() { Err(Gone) } else { self.show(newest).await }
                }
                Some(answer) = answered.recv() => self.answer(answer, &answers).await,
                heard = self.socket.recv() => match heard {
                    Some(Ok(message)) => self.hear(message, &answers).await,
                    _ => Err(Gone),
                },
            };
            if done.is_err() {
                return;
            }
        }
    }

    async fn send(&mut self, message: Message) -> Result<(), Gone> {
        let sent = tokio::time::timeout(PATIENCE, self.socket.send(message)).await;
        sent.map_err(|_| Gone)?.map_err(|_| Gone)
    }

    async fn say<T: Serialize>(&mut self, said: &T) -> Result<(), Gone> {
        let text = serde_json::to_string(said).map_err(|_| Gone)?;
        self.send(text.into()).await
    }

    async fn show(&mut self, newest: Shown) -> Result<(), Gone> {
        if newest.session != self.session {
            let machine = self.server.hub.machine();
            self.send(Message::Text(machine)).await?;
            (self.session, self.lines) = (newest.session, 0);
        }
        if newest.lines > self.lines
            && let Some(lines) = self.server.hub.lines(newest.session, self.lines)
        {
            self.lines = newest.lines;
            self.send(lines.into()).await?;
        }
        self.send(Message::Text(newest.text)).await
    }

    async fn hear(&mut self, message: Message, answers: &mpsc::Sender<Answer>) -> Result<(), Gone> {
        let answer = match message {
            Message::Text(text) => self.server.hub.hear(self.who, &text, answers),
            Message::Binary(_) => Some(Answer::Note(Note::bad("not understood"))),
            Message::Ping(_) | Message::Pong(_) => None,
            Message::Close(_) => return Err(Gone),
        };
        match answer {
            None => Ok(()),
            Some(answer) => {
                self.nonsense += 1;
                if self.nonsense > NONSENSE {
                    return Err(Gone);
                }
                self.answer(answer, answers).await
            }
        }
    }

    async fn answer(&mut self, answer: Answer, answers: &mpsc::Sender<Answer>) -> Result<(), Gone> {
        let server = Arc::clone(self.server);
        match answer {
            Answer::Note(note) => return self.say(&note).await,
            Answer::Tape(tape, For::Saving) => told_by(answers, move || server.shelf.save(&tape).map(Note::good)),
            Answer::File { text, given } => told_by(answers, move || server.shelf.write(&text, given).map(Note::good)),
            Answer::Tape(tape, For::Replay) => told_by(answers, move || server.film(&tape)),
        }
        Ok(())
    }
}

/// Something that takes its time, beside everything else: hands are heard meanwhile. What comes of it is told when it is done.
fn told_by(answers: &mpsc::Sender<Answer>, work: impl FnOnce() -> Result<Note, String> + Send + 'static) {
    let answers = answers.clone();
    tokio::spawn(async move {
        let done = tokio::task::spawn_blocking(work).await;
        let note = match done {
            Ok(Ok(note)) => note,
            Ok(Err(why)) => Note::bad(why),
            Err(_) => Note::bad("it could not be done"),
        };
        // Whoever has gone meanwhile goes without.
        let _ = answers.send(Answer::Note(note)).await;
    });
}

impl Server {
    /// Rehearses a tape, one at a time, and keeps its pictures to be fetched.
    fn film(&self, tape: &Tape) -> Result<Note, String> {
        let Ok(_alone) = self.rehearsing.try_lock() else {
            return Err("another rehearsal is running".to_string());
        };
        let replay = replay(tape).map_err(|why| why.to_string())?;
        let text = serde_json::to_string(&replay).map_err(|why| why.to_string())?;
        let mut film = self.film.lock().map_err(|why| why.to_string())?;
        let number = film.0 + 1;
        *film = (number, text);
        let verdict = if replay.same {
            "the same run, to the bit"
        } else {
            "another run"
        };
        let text = format!("rehearsed: {verdict}; digest {} of {}", replay.is, replay.was);
        let mut note = Note::good(text);
        note.film = Some(number);
        Ok(note)
    }
}
