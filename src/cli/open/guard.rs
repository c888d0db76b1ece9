//! Who may ask: only pages that this program served, opened with the key it told.
//!
//! Other sites open in the same browser can send requests to this computer; names that resolve to it can be theirs
//! (rebinding). So the Host must be this computer by a name of its own, an Origin must be ours, and the key must come
//! with every request, as a cookie that other sites' requests do not carry (SameSite=Strict).

use clothline::{Refusal, RefusalKind};

use super::http::{Answer, Request};

/// The key and the names by which the page is reached.
pub struct Guard {
    key: String,
    port: u16,
}

impl Guard {
    /// A guard with a key of 128 random bits.
    ///
    /// # Errors
    /// If the system gives no random bits.
    pub fn new(port: u16) -> Result<Self, Refusal> {
        let mut bits = [0u8; 16];
        getrandom::fill(&mut bits).map_err(|e| {
            Refusal::new(RefusalKind::File, format!("no random key could be made ({e})"), "restart the computer")
        })?;
        Ok(Self { key: bits.iter().map(|b| format!("{b:02x}")).collect(), port })
    }

    /// The address to open, key and all.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/?key={}", self.port, self.key)
    }

    /// Cookies are shared by all ports of a host: the name tells them apart.
    fn cookie_name(&self) -> String {
        format!("clothline-{}", self.port)
    }

    /// Lets a request in (`None`), or answers it.
    pub fn stops(&self, request: &Request) -> Option<Answer> {
        if !self.is_ours(request.header("host").unwrap_or_default()) {
            return Some(Answer::refused(403, "this address does not lead here"));
        }
        let foreign_origin = request
            .header("origin")
            .is_some_and(|origin| !origin.strip_prefix("http://").is_some_and(|host| self.is_ours(host)));
        let foreign_site = request.header("sec-fetch-site").is_some_and(|site| !matches!(site, "same-origin" | "none"));
        let opening = request.method == "GET" && request.path == "/" && request.query("key").is_some();
        // The opening address may be clicked in a mail or a terminal; anything else from elsewhere is foreign.
        if foreign_origin || foreign_site && !opening {
            return Some(Answer::refused(403, "another site may not ask here"));
        }
        if opening && request.query("key").is_some_and(|key| self.is_key(&key)) {
            let cookie = format!("{}={}; Path=/; HttpOnly; SameSite=Strict", self.cookie_name(), self.key);
            return Some(Answer::moved("/").with("Set-Cookie", cookie));
        }
        let name = self.cookie_name();
        let known = request
            .header("cookie")
            .unwrap_or_default()
            .split(';')
            .any(|part| part.trim().split_once('=').is_some_and(|(n, value)| n == name && self.is_key(value)));
        let words = "this page has to be opened with the address that clothline printed";
        (!known).then(|| Answer::refused(401, words))
    }

    fn is_ours(&self, host: &str) -> bool {
        let port = self.port;
        host == format!("127.0.0.1:{port}") || host == format!("localhost:{port}")
    }

    /// Compares all bytes whatever differs, so that the time taken tells nothing.
    fn is_key(&self, given: &str) -> bool {
        let differ = given.bytes().zip(self.key.bytes()).fold(0, |all, (a, b)| all | (a ^ b));
        given.len() == self.key.len() && differ == 0
    }
}
