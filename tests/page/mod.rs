//! The page's program, run on a set of its own, and HTTP as bare as it gets.
#![allow(dead_code)]

pub mod webdriver;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

/// A running `clothline open`.
pub struct Page {
    pub program: Child,
    pub port: u16,
    pub key: String,
    pub set: PathBuf,
    /// Kept open: a program that speaks into a closed pipe is another test.
    _said: std::io::Lines<BufReader<std::process::ChildStdout>>,
}

impl Page {
    pub fn open(set: &Path) -> Self {
        let mut program = Command::new(env!("CARGO_BIN_EXE_clothline"))
            .arg("open")
            .arg(set)
            .arg("--no-browser")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(program.stdout.take().unwrap()).lines();
        let address = lines.by_ref().map(Result::unwrap).find(|l| l.contains("http://")).expect("an address");
        let (host, key) = address.trim().split_once("/?key=").expect("a key");
        let port = host.rsplit(':').next().unwrap().parse().unwrap();
        Self { program, port, key: key.to_string(), set: set.to_path_buf(), _said: lines }
    }

    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/?key={}", self.port, self.key)
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        stream
    }

    /// The headers of a request that is let in.
    pub fn let_in(&self) -> String {
        format!("Host: 127.0.0.1:{0}\r\nCookie: clothline-{0}={1}\r\n", self.port, self.key)
    }

    /// Sends bytes, reads to the end; (status, whole answer). Status 0: the line was closed without an answer.
    pub fn raw(&self, bytes: &[u8]) -> (u16, String) {
        let mut stream = self.connect();
        // A server that answers early may close before all is sent.
        let _ = stream.write_all(bytes);
        answer(&mut stream)
    }

    pub fn get(&self, path: &str, headers: &str) -> (u16, String) {
        self.raw(format!("GET {path} HTTP/1.1\r\n{headers}Connection: close\r\n\r\n").as_bytes())
    }

    pub fn ask(&self, request: &Value) -> (u16, Value) {
        let body = request.to_string();
        let head = format!(
            "POST /ask HTTP/1.1\r\n{}Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
            self.let_in(),
            body.len()
        );
        let (status, text) = self.raw((head + &body).as_bytes());
        let json =
            text.split_once("\r\n\r\n").map_or(Value::Null, |(_, b)| serde_json::from_str(b).unwrap_or_default());
        (status, json)
    }

    pub fn put(&self, name: &str, bytes: &[u8]) -> (u16, String) {
        let head = format!(
            "PUT /photo?name={name} HTTP/1.1\r\n{}Content-Length: {}\r\nConnection: close\r\n\r\n",
            self.let_in(),
            bytes.len()
        );
        self.raw(&[head.as_bytes(), bytes].concat())
    }

    pub fn kill(mut self) {
        self.program.kill().unwrap();
        self.program.wait().unwrap();
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        let _ = self.program.kill();
        let _ = self.program.wait();
    }
}

pub fn answer(stream: &mut TcpStream) -> (u16, String) {
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let status = text.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
    (status, text)
}

/// A rectangle of 200 by 300 mm as an outline file: a piece to work on without a photo.
pub fn lay_rectangle(set: &Path, name: &str) {
    lay_rectangles(set, &[(name, 300.0)]);
}

/// Rectangles 200 mm wide as outline files: names and heights, mm.
pub fn lay_rectangles(set: &Path, pieces: &[(&str, f64)]) {
    let drawn: Vec<Value> = pieces
        .iter()
        .map(|(name, high)| serde_json::json!({ "name": name, "outline": draw_rectangle(set, name, *high) }))
        .collect();
    let recipe = serde_json::json!({ "format": "clothline-set", "version": 1, "name": "Bags", "pieces": drawn });
    std::fs::write(set.join("set.json"), recipe.to_string()).unwrap();
}

fn draw_rectangle(set: &Path, name: &str, high: f64) -> String {
    let corners = [(0.0, 0.0), (200.0, 0.0), (200.0, high), (0.0, high)];
    let mut points = Vec::new();
    for k in 0..4 {
        let ((x0, y0), (x1, y1)): ((f64, f64), (f64, f64)) = (corners[k], corners[(k + 1) % 4]);
        for i in 0..100 {
            let t = f64::from(i) / 100.0;
            points.push([x0 + (x1 - x0) * t, y0 + (y1 - y0) * t]);
        }
    }
    let folder = set.join("pieces");
    std::fs::create_dir_all(&folder).unwrap();
    let file = serde_json::json!({ "units": "mm", "outline": points });
    let drawn = format!("pieces/{name}.outline.json");
    std::fs::write(set.join(&drawn), file.to_string()).unwrap();
    drawn
}

/// Looks again and again until something holds; a slow machine is given a minute.
pub fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let end = Instant::now() + Duration::from_secs(60);
    while !holds() {
        assert!(Instant::now() < end, "never: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}
