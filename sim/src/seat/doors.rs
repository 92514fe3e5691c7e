//! Who is let in: the link has a secret in it, the request must be meant for this server, and come from its own page.
//!
//! A page from elsewhere, open in the same browser, can send requests to a server on this machine. It does not know the secret; what it sends
//! carries its own origin; and where it has a name of its own point at this machine, the request still carries that name as its host.

use std::fmt;
use std::net::IpAddr;

use axum::http::header::{HOST, ORIGIN};
use axum::http::{HeaderMap, Uri};
use rand::RngExt;

/// The secret in the link: 128 bits.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// A new one, from the system's randomness.
    pub fn new() -> Self {
        let bits: u128 = rand::rng().random();
        Self(format!("{bits:032x}"))
    }

    /// Whether that is it. It takes as long whatever is wrong.
    pub fn is(&self, told: &str) -> bool {
        let differ = |(one, two): (u8, u8)| one ^ two;
        let pairs = self.0.bytes().zip(told.bytes());
        told.len() == self.0.len() && pairs.map(differ).fold(0, |all, one| all | one) == 0
    }
}

impl Default for Secret {
    fn default() -> Self {
        Self::new()
    }
}

/// For the link, and for nothing else.
impl fmt::Display for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A secret is not for logs.
impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

/// Whether the request is meant for a server on `port` and, where it says from where it comes, comes from that server's own page. `page` is
/// whether it may leave that out: a page's address that is typed in has no origin, a WebSocket always has.
pub fn meant_for(headers: &HeaderMap, port: u16, page: bool) -> bool {
    let text = |name| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    let Some(host) = text(HOST) else { return false };
    let own = host_is_ours(host, port);
    match text(ORIGIN) {
        None => own && page,
        Some(origin) => own && origin == format!("http://{host}"),
    }
}

/// A host is ours if it is an address, or `localhost`: a name could be anybody's.
fn host_is_ours(host: &str, port: u16) -> bool {
    let Ok(uri) = host.parse::<Uri>() else { return false };
    let Some(authority) = uri.authority() else { return false };
    let name = authority.host().trim_start_matches('[').trim_end_matches(']');
    let known = name == "localhost" || name.parse::<IpAddr>().is_ok();
    known && authority.port_u16().unwrap_or(80) == port && !host.contains('@')
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(host: &str, origin: Option<&str>, page: bool) -> bool {
        let mut headers = HeaderMap::new();
        headers.insert(HOST, host.parse().unwrap());
        if let Some(origin) = origin {
            headers.insert(ORIGIN, origin.parse().unwrap());
        }
        meant_for(&headers, 8000, page)
    }

    #[test]
    fn only_what_is_meant_for_this_server_and_comes_from_its_page_is_let_in() {
        assert!(asked("127.0.0.1:8000", None, true));
        assert!(asked("localhost:8000", Some("http://localhost:8000"), false));
        assert!(asked("[::1]:8000", Some("http://[::1]:8000"), false));
        assert!(!asked("127.0.0.1:8000", None, false), "a socket without an origin");
        assert!(!asked("127.0.0.1:8000", Some("http://localhost:8000"), false));
        assert!(!asked("127.0.0.1:8000", Some("https://127.0.0.1:8000"), false));
        assert!(!asked("127.0.0.1:8000", Some("null"), true));
        assert!(!asked("127.0.0.1:8000", Some("http://stone.example"), true));
        assert!(
            !asked("stone.example:8000", Some("http://stone.example:8000"), true),
            "a name pointed here"
        );
        assert!(!asked("127.0.0.1:8001", None, true));
        assert!(!asked("127.0.0.1", None, true));
        assert!(!asked("a@127.0.0.1:8000", None, true));
        assert!(!meant_for(&HeaderMap::new(), 8000, true));
    }

    #[test]
    fn no_secret_is_like_another_and_nothing_less_than_all_of_it_will_do() {
        let (one, two) = (Secret::new(), Secret::new());
        assert_eq!(one.to_string().len(), 32);
        assert!(one.is(&one.to_string()) && !one.is(&two.to_string()));
        assert!(!one.is("") && !one.is(&one.to_string()[..31]) && !one.is(&format!("{one}0")));
        assert_eq!(format!("{one:?}"), "Secret");
    }
}
