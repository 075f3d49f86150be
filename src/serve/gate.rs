//! Which request is let in: loopback's own host names, this page's own origin, and who bears the token.
//!
//! The address that is opened bears a random token; it is exchanged, once, for a cookie that scripts cannot read and that
//! no other site's request carries. A page elsewhere that points a name of its own at this machine (DNS rebinding) fails
//! at the host; one that posts a form here fails at the origin; a stranger on this machine fails at the token.

use super::App;
use super::invitations::Invitations;
use super::listen::Shown;
use super::pages;
use crate::error::{Error, Result};
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::fmt::Write;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The keys of one run.
pub struct Gate {
    port: u16,
    session: String,
    /// Tokens that were given out and not used yet.
    tokens: Mutex<Vec<String>>,
    /// Where a later start of the same user leaves further ones.
    invitations: Invitations,
}

/// Where the token is exchanged for the cookie.
pub const OPEN: &str = "/open";

/// How long the cookie lasts; a workbench that is started again does not know it any more.
const COOKIE_S: u32 = 30 * 24 * 3600;

/// An address that lets in once.
pub fn address(port: u16, token: &str) -> String {
    format!("http://127.0.0.1:{port}{OPEN}?token={token}")
}

impl Gate {
    /// New keys from the system's randomness.
    pub fn new(port: u16, invitations: Invitations) -> Result<Self> {
        Ok(Self {
            port,
            session: random_name()?,
            tokens: Mutex::default(),
            invitations,
        })
    }

    fn tokens(&self) -> MutexGuard<'_, Vec<String>> {
        self.tokens.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A new address that lets in once.
    pub fn url(&self) -> Result<String> {
        let token = random_name()?;
        let url = address(self.port, &token);
        self.tokens().push(token);
        Ok(url)
    }

    /// Whether this is a token that was not used yet. It is used now.
    pub fn opens(&self, token: &str) -> bool {
        let mut tokens = self.tokens(); // also while the invitations are read: no token is taken twice
        match tokens.iter().position(|t| same(token, t)) {
            Some(at) => {
                tokens.remove(at);
                true
            }
            None => self.invitations.take(token),
        }
    }

    /// The cookie that the token is exchanged for. Ports share cookies, so its name bears the port.
    pub fn cookie(&self) -> String {
        format!(
            "{}={}; HttpOnly; SameSite=Strict; Path=/; Max-Age={COOKIE_S}",
            self.cookie_name(),
            self.session
        )
    }

    fn cookie_name(&self) -> String {
        format!("patency-{}", self.port)
    }

    /// Whether a request bears the cookie.
    pub fn knows(&self, headers: &HeaderMap) -> bool {
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
        // The file that opens the browser is another site to it; the token is what counts there.
        let may_come_from_elsewhere = path == OPEN && method == Method::GET;
        if !matches!(from, None | Some(b"none" | b"same-origin")) && !may_come_from_elsewhere {
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
    /// It does not bear the cookie.
    Token,
    /// Its token is not one, or was used.
    Used,
    /// It wants what the workbench does not do.
    Method,
}

/// Lets a request in or sends it away, and puts on every answer what keeps a browser strict.
pub async fn guard(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let refusal = app
        .gate
        .refusal(request.method(), request.uri().path(), request.headers());
    if let Some(shown) = request.extensions().get::<Shown>()
        && app.gate.knows(request.headers())
    {
        shown.set();
    }
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
pub fn same(a: &str, b: &str) -> bool {
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
        let home = tempfile::tempdir().unwrap();
        let gate = Gate::new(4321, Invitations::new(home.path())).unwrap();
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
    fn a_token_opens_once_and_a_part_of_one_never() {
        let home = tempfile::tempdir().unwrap();
        let gate = Gate::new(4321, Invitations::new(home.path())).unwrap();
        let urls = [gate.url().unwrap(), gate.url().unwrap()];
        let tokens = urls.map(|url| url.split_once("token=").unwrap().1.to_string());
        assert!(!gate.opens("") && !gate.opens(&tokens[0][..63]));
        assert!(gate.opens(&tokens[0]) && !gate.opens(&tokens[0]));
        assert!(gate.opens(&tokens[1]) && !gate.opens(&tokens[1]));
    }

    #[test]
    fn keys_are_long_and_never_the_same() {
        let (a, b) = (random_name().unwrap(), random_name().unwrap());
        assert_eq!(a.len(), 64);
        assert_ne!(a, b);
        assert!(same(&a, &a) && !same(&a, &b) && !same(&a, &a[..63]) && !same("", &a));
    }
}
