//! Which request is let in: loopback's own host names, this page's own origin, and who bears the token.
//!
//! The address that is opened bears a random token; it is exchanged for a cookie that scripts cannot read and that no
//! other site's request carries. A page elsewhere that points a name of its own at this machine (DNS rebinding) fails
//! at the host; one that posts a form here fails at the origin; a stranger on this machine fails at the token.

use super::App;
use super::pages;
use crate::error::{Error, Result};
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::fmt::Write;
use std::sync::Arc;

/// The keys of one run.
pub struct Gate {
    port: u16,
    token: String,
    session: String,
}

/// Where the token is exchanged for the cookie.
pub const OPEN: &str = "/open";

impl Gate {
    /// New keys from the system's randomness.
    pub fn new(port: u16) -> Result<Self> {
        Ok(Self {
            port,
            token: random_name()?,
            session: random_name()?,
        })
    }

    /// The address to open.
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}{OPEN}?token={}", self.port, self.token)
    }

    /// Whether this is the token.
    pub fn opens(&self, token: &str) -> bool {
        same(token, &self.token)
    }

    /// The cookie that the token is exchanged for. Ports share cookies, so its name bears the port.
    pub fn cookie(&self) -> String {
        format!(
            "{}={}; HttpOnly; SameSite=Strict; Path=/",
            self.cookie_name(),
            self.session
        )
    }

    fn cookie_name(&self) -> String {
        format!("patency-{}", self.port)
    }

    fn knows(&self, headers: &HeaderMap) -> bool {
        let name = self.cookie_name();
        let pairs = headers
            .get_all(header::COOKIE)
            .iter()
            .filter_map(|v| v.to_str().ok())
            .flat_map(|v| v.split(';'));
        pairs
            .filter_map(|pair| pair.trim().split_once('='))
            .any(|(key, value)| key == name && same(value, &self.session))
    }

    fn is_own_host(&self, host: &str) -> bool {
        ["127.0.0.1", "localhost"]
            .iter()
            .any(|name| host.eq_ignore_ascii_case(&format!("{name}:{}", self.port)))
    }

    fn is_own_origin(&self, origin: &str) -> bool {
        origin
            .strip_prefix("http://")
            .is_some_and(|host| self.is_own_host(host))
    }

    /// Why a request is not let in.
    fn refusal(&self, method: &Method, path: &str, headers: &HeaderMap) -> Option<Refusal> {
        let mut hosts = headers.get_all(header::HOST).iter();
        let host = hosts.next().and_then(|h| h.to_str().ok());
        if hosts.next().is_some() || !host.is_some_and(|h| self.is_own_host(h)) {
            return Some(Refusal::Host);
        }
        if !matches!(*method, Method::GET | Method::HEAD | Method::POST) {
            return Some(Refusal::Method);
        }
        let origins: Vec<_> = headers.get_all(header::ORIGIN).iter().collect();
        let foreign = |o: &&HeaderValue| !o.to_str().is_ok_and(|o| self.is_own_origin(o));
        if origins.iter().any(foreign) {
            return Some(Refusal::Origin);
        }
        if method == Method::POST && origins.is_empty() {
            return Some(Refusal::Origin);
        }
        let from = headers.get("sec-fetch-site").map(|v| v.as_bytes());
        if !matches!(from, None | Some(b"none" | b"same-origin")) {
            return Some(Refusal::Origin);
        }
        (path != OPEN && !self.knows(headers)).then_some(Refusal::Token)
    }
}

/// Why a request is not let in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// It was sent to another name than this machine's own.
    Host,
    /// It comes from another page.
    Origin,
    /// It does not bear the token.
    Token,
    /// It wants what the workbench does not do.
    Method,
}

/// Lets a request in or sends it away, and puts on every answer what keeps a browser strict.
pub async fn guard(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let refusal = app
        .gate
        .refusal(request.method(), request.uri().path(), request.headers());
    let mut response = match refusal {
        Some(refusal) => {
            let status = match refusal {
                Refusal::Method => StatusCode::METHOD_NOT_ALLOWED,
                _ => StatusCode::FORBIDDEN,
            };
            let mut page = (status, pages::refused(refusal)).into_response();
            // What is still coming in is not read.
            let close = HeaderValue::from_static("close");
            page.headers_mut().insert(header::CONNECTION, close);
            page
        }
        None => next.run(request).await,
    };
    let headers = response.headers_mut();
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(header::CONTENT_SECURITY_POLICY)
        .or_insert(HeaderValue::from_static(POLICY));
    response
}

/// Nothing from elsewhere, nothing inline, framed by nobody.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

const ALWAYS: [(&str, &str); 7] = [
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    // Not `no-referrer`: a form would then be sent with the origin `null`.
    ("referrer-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    (
        "permissions-policy",
        "camera=(), geolocation=(), microphone=()",
    ),
    ("cache-control", "no-store"),
];

/// The policy for a kept report: its own style and script alone, known by their digests.
pub fn policy_for(style: &str, script: Option<&str>) -> String {
    let script = script.map_or("'none'".into(), |s| format!("'{s}'"));
    format!(
        "default-src 'none'; style-src '{style}'; script-src {script}; img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
}

/// 32 random bytes in hexadecimal digits: a key, or the name of a file.
pub fn random_name() -> Result<String> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes)
        .map_err(|e| Error::new(format!("the system gives no random numbers: {e}")))?;
    let mut name = String::with_capacity(64);
    for byte in bytes {
        let _ = write!(name, "{byte:02x}"); // writing into a string cannot fail
    }
    Ok(name)
}

/// Whether two keys are the same, in a time that does not tell where they differ.
fn same(a: &str, b: &str) -> bool {
    let differ = a
        .bytes()
        .zip(b.bytes())
        .fold(0, |acc, (x, y)| acc | (x ^ y));
    a.len() == b.len() && differ == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&str, &str)]) -> HeaderMap {
        let mut map = HeaderMap::new();
        for (name, value) in pairs {
            let name: axum::http::HeaderName = name.parse().unwrap();
            map.append(name, value.parse().unwrap());
        }
        map
    }

    #[test]
    fn only_this_machine_this_origin_and_the_cookie_are_let_in() {
        let gate = Gate::new(4321).unwrap();
        let cookie = format!("a=b; patency-4321={}", gate.session);
        let own = ("host", "127.0.0.1:4321");
        let key = ("cookie", cookie.as_str());
        let ask =
            |method: Method, pairs: &[(&str, &str)]| gate.refusal(&method, "/", &headers(pairs));
        assert_eq!(ask(Method::GET, &[own, key]), None);
        assert_eq!(ask(Method::GET, &[("host", "LOCALHOST:4321"), key]), None);
        for host in [
            "evil.example:4321",
            "127.0.0.1",
            "127.0.0.1:80",
            "127.0.0.1.evil.example:4321",
            "",
        ] {
            assert_eq!(
                ask(Method::GET, &[("host", host), key]),
                Some(Refusal::Host),
                "{host}"
            );
        }
        assert_eq!(ask(Method::GET, &[key]), Some(Refusal::Host));
        assert_eq!(ask(Method::GET, &[own, own, key]), Some(Refusal::Host));
        assert_eq!(ask(Method::GET, &[own]), Some(Refusal::Token));
        assert_eq!(
            ask(Method::GET, &[own, ("cookie", "patency-4321=")]),
            Some(Refusal::Token)
        );
        assert_eq!(ask(Method::POST, &[own, key]), Some(Refusal::Origin));
        let posted_from = |origin| ask(Method::POST, &[own, key, ("origin", origin)]);
        assert_eq!(posted_from("http://127.0.0.1:4321"), None);
        for origin in [
            "null",
            "http://127.0.0.1:4322",
            "https://127.0.0.1:4321",
            "http://evil.example",
        ] {
            assert_eq!(posted_from(origin), Some(Refusal::Origin), "{origin}");
        }
        let elsewhere = ("sec-fetch-site", "cross-site");
        assert_eq!(
            ask(Method::GET, &[own, key, elsewhere]),
            Some(Refusal::Origin)
        );
        assert_eq!(ask(Method::DELETE, &[own, key]), Some(Refusal::Method));
    }

    #[test]
    fn keys_are_long_and_never_the_same() {
        let (a, b) = (random_name().unwrap(), random_name().unwrap());
        assert_eq!(a.len(), 64);
        assert_ne!(a, b);
        assert!(same(&a, &a) && !same(&a, &b) && !same(&a, &a[..63]) && !same("", &a));
    }
}
