//! A headless Chromium through chromedriver, spoken to in the W3C WebDriver protocol: as much of it as the tests use.
#![allow(dead_code)]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// An element's key in answers (WebDriver, 12.2).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// Keys of WebDriver, 15.4.2.
pub const ENTER: &str = "\u{E007}";
pub const TAB: &str = "\u{E004}";
pub const SPACE: &str = " ";
pub const ESCAPE: &str = "\u{E00C}";
pub const UP: &str = "\u{E013}";
pub const DOWN: &str = "\u{E015}";
pub const RIGHT: &str = "\u{E014}";
pub const DELETE: &str = "\u{E017}";
pub const CONTROL: &str = "\u{E009}";

/// One browser at a time: a machine of two cores has enough to do with one.
static ALONE: Mutex<()> = Mutex::new(());

/// A browser with one window.
pub struct Browser {
    _alone: MutexGuard<'static, ()>,
    driver: Child,
    port: u16,
    session: String,
}

impl Browser {
    /// Starts one; none where there is no chromedriver.
    pub fn start() -> Option<Self> {
        let alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let port = TcpListener::bind("127.0.0.1:0").ok()?.local_addr().ok()?.port();
        let mut driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .ok()?;
        let until = Instant::now() + Duration::from_secs(90);
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            if Instant::now() > until {
                let _ = driver.kill();
                return None;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let mut browser = Self { _alone: alone, driver, port, session: String::new() };
        let arguments = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
            "--window-size=1360,860",
        ];
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "browserName": "chrome", "goog:chromeOptions": { "args": arguments }, "goog:loggingPrefs": { "browser": "ALL" },
            "unhandledPromptBehavior": "accept" } } });
        let told = browser.call("POST", "/session", &wanted);
        browser.session = told["sessionId"].as_str()?.to_string();
        // A slow machine is given time.
        let patience = json!({ "script": 240_000, "pageLoad": 240_000, "implicit": 0 });
        browser.call("POST", &browser.on("/timeouts"), &patience);
        Some(browser)
    }

    /// The answer's value.
    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let value = self.asked(method, path, body);
        assert!(value["error"].is_null(), "{method} {path} {body}: {value}");
        value
    }

    /// The answer's value, which may be an error.
    fn asked(&self, method: &str, path: &str, body: &Value) -> Value {
        let text = if method == "GET" || method == "DELETE" { String::new() } else { body.to_string() };
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(300))).unwrap();
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{text}",
            text.len()
        )
        .unwrap();
        let mut reader = BufReader::new(stream);
        let mut length = 0;
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).unwrap();
            let line = line.trim_end().to_ascii_lowercase();
            if let Some(n) = line.strip_prefix("content-length:") {
                length = n.trim().parse().unwrap();
            }
            if line.is_empty() {
                break;
            }
        }
        let mut answer = vec![0; length];
        reader.read_exact(&mut answer).unwrap();
        let told: Value = serde_json::from_slice(&answer).unwrap_or_else(|e| panic!("{method} {path}: {e}"));
        told["value"].clone()
    }

    fn on(&self, path: &str) -> String {
        format!("/session/{}{path}", self.session)
    }

    pub fn go(&self, address: &str) {
        self.call("POST", &self.on("/url"), &json!({ "url": address }));
    }

    pub fn reload(&self) {
        self.call("POST", &self.on("/refresh"), &json!({}));
    }

    /// Runs a script; `return` gives its value, promises are waited for.
    pub fn run(&self, script: &str, arguments: &Value) -> Value {
        self.call("POST", &self.on("/execute/sync"), &json!({ "script": script, "args": arguments }))
    }

    pub fn get(&self, expression: &str) -> Value {
        self.run(&format!("return {expression}"), &json!([]))
    }

    /// Waits until an expression is true.
    pub fn wait(&self, expression: &str) {
        let until = Instant::now() + Duration::from_secs(180);
        while !truthy(&self.get(expression)) {
            assert!(
                Instant::now() < until,
                "never: {expression}; the page says {}",
                self.get("document.getElementById('said').textContent")
            );
            std::thread::sleep(Duration::from_millis(40));
        }
    }

    fn element(&self, selector: &str) -> String {
        let found = self.call("POST", &self.on("/element"), &json!({ "using": "css selector", "value": selector }));
        found[ELEMENT].as_str().unwrap_or_else(|| panic!("no {selector}")).to_string()
    }

    /// Clicks an element; one that the page draws anew between finding and clicking is found again, as a person would.
    pub fn click(&self, selector: &str) {
        for again in (0..5).rev() {
            let element = self.element(selector);
            let value = self.asked("POST", &self.on(&format!("/element/{element}/click")), &json!({}));
            let is_gone = value["error"] == "stale element reference" && again > 0;
            if !is_gone {
                assert!(value["error"].is_null(), "click on {selector}: {value}");
                return;
            }
        }
    }

    /// Types into an element (or gives a file field a path).
    pub fn type_into(&self, selector: &str, text: &str) {
        let element = self.element(selector);
        self.call("POST", &self.on(&format!("/element/{element}/value")), &json!({ "text": text }));
    }

    /// Presses keys one after another where the focus is; `held` (Control) stays down meanwhile.
    pub fn keys(&self, held: Option<&str>, keys: &[&str]) {
        let mut actions = Vec::new();
        actions.extend(held.map(|k| json!({ "type": "keyDown", "value": k })));
        for key in keys {
            actions.push(json!({ "type": "keyDown", "value": key }));
            actions.push(json!({ "type": "keyUp", "value": key }));
        }
        actions.extend(held.map(|k| json!({ "type": "keyUp", "value": k })));
        self.call(
            "POST",
            &self.on("/actions"),
            &json!({ "actions": [{ "type": "key", "id": "keys", "actions": actions }] }),
        );
    }

    /// Presses the pointer at the first place, moves through the others, lets go at the last. Window pixels.
    pub fn drag(&self, places: &[[f64; 2]], kind: &str) {
        let go = |p: &[f64; 2], ms: u64| json!({ "type": "pointerMove", "duration": ms, "x": p[0].round() as i64, "y": p[1].round() as i64 });
        let mut actions = vec![go(&places[0], 0), json!({ "type": "pointerDown", "button": 0 })];
        actions.extend(places.iter().skip(1).map(|p| go(p, 40)));
        actions.push(json!({ "type": "pointerUp", "button": 0 }));
        let pointer =
            json!({ "type": "pointer", "id": kind, "parameters": { "pointerType": kind }, "actions": actions });
        self.call("POST", &self.on("/actions"), &json!({ "actions": [pointer] }));
    }

    /// A command of the browser's own protocol.
    pub fn tell(&self, command: &str, parameters: &Value) {
        let body = json!({ "cmd": command, "params": parameters });
        self.call("POST", &self.on("/goog/cdp/execute"), &body);
    }

    pub fn size(&self, width: u32, height: u32) {
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.tell("Emulation.setDeviceMetricsOverride", &metrics);
    }

    pub fn dark(&self, on: bool) {
        let scheme = if on { "dark" } else { "light" };
        self.tell(
            "Emulation.setEmulatedMedia",
            &json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] }),
        );
    }

    pub fn picture(&self, to: &Path) {
        let base64 = self.call("GET", &self.on("/screenshot"), &Value::Null);
        std::fs::write(to, decoded(base64.as_str().unwrap())).unwrap();
    }

    /// What the page complained of.
    pub fn complaints(&self) -> Vec<String> {
        let log = self.call("POST", &self.on("/se/log"), &json!({ "type": "browser" }));
        let severe = log.as_array().unwrap().iter().filter(|l| l["level"] == "SEVERE");
        severe.map(|l| l["message"].as_str().unwrap_or_default().to_string()).collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Also after a test that failed, without another panic: a browser left open would slow down all others.
        if !self.session.is_empty()
            && let Ok(mut stream) = TcpStream::connect(("127.0.0.1", self.port))
        {
            let _ = stream.set_read_timeout(Some(Duration::from_secs(30)));
            let _ = write!(stream, "DELETE {} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n", self.on(""));
            let _ = stream.read(&mut [0; 256]);
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

fn truthy(value: &Value) -> bool {
    !matches!(value, Value::Null | Value::Bool(false)) && value != &json!(0) && value != &json!("")
}

/// Base64 (RFC 4648, section 4).
pub fn decoded(text: &str) -> Vec<u8> {
    let value = |b: u8| match b {
        b'A'..=b'Z' => b - b'A',
        b'a'..=b'z' => b - b'a' + 26,
        b'0'..=b'9' => b - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let digits: Vec<u8> = text.bytes().filter(|b| !b.is_ascii_whitespace() && *b != b'=').map(value).collect();
    let mut out = Vec::with_capacity(digits.len() * 3 / 4);
    for four in digits.chunks(4) {
        let bits = four.iter().fold(0u32, |all, d| all << 6 | u32::from(*d)) << (6 * (4 - four.len()));
        out.extend_from_slice(&bits.to_be_bytes()[1..four.len()]);
    }
    out
}
