//! HTTP/1.1 (RFC 9112) as far as one page on this computer needs it: bounded heads, bounded bodies, nothing clever.

use std::io::{self, BufReader, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::{Duration, Instant};

/// Largest head of a request, bytes.
const MOST_HEAD: usize = 16 << 10;
/// Most header lines.
const MOST_HEADERS: usize = 64;
/// A head that takes longer to arrive is given up.
const HEAD_TIME: Duration = Duration::from_secs(20);
/// Of a body nobody wants, so much is read and thrown away, so that the sender sees the answer instead of a broken line.
const MOST_DRAINED: u64 = 4 << 20;

/// The head of a request.
#[derive(Debug)]
pub struct Request {
    /// GET, POST, PUT.
    pub method: String,
    /// The path, decoded.
    pub path: String,
    query: String,
    headers: Vec<(String, String)>,
    keeps_open: bool,
}

impl Request {
    /// A header's value, by its name in lower case.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n == name).map(|(_, value)| value.as_str())
    }

    /// A value of the query, decoded.
    pub fn query(&self, name: &str) -> Option<String> {
        let pairs = self.query.split('&').filter_map(|pair| pair.split_once('='));
        pairs.filter(|(n, _)| *n == name).find_map(|(_, value)| decoded(&value.replace('+', " ")))
    }

    /// May the connection go on?
    pub fn keeps_open(&self) -> bool {
        self.keeps_open
    }
}

/// An answer.
#[derive(Debug)]
pub struct Answer {
    status: u16,
    headers: Vec<(&'static str, String)>,
    body: Vec<u8>,
}

impl Answer {
    /// Done, with something to show.
    pub fn ok(kind: &str, body: impl Into<Vec<u8>>) -> Self {
        Self { status: 200, headers: vec![("Content-Type", kind.to_string())], body: body.into() }
    }

    /// JSON, with a status.
    pub fn json(status: u16, value: &impl serde::Serialize) -> Self {
        // Numbers are finite and keys are strings: what cannot be written is a fault of ours.
        match serde_json::to_vec(value) {
            Ok(body) => Self { status, ..Self::ok("application/json", body) },
            Err(_) => Self::refused(500, "the answer could not be written"),
        }
    }

    /// Refused, in words.
    pub fn refused(status: u16, words: &str) -> Self {
        let refused = serde_json::json!({ "refused": { "seen": words, "advice": "" } });
        Self { status, ..Self::ok("application/json", refused.to_string()) }
    }

    /// Look elsewhere.
    pub fn moved(to: &str) -> Self {
        Self { status: 303, headers: vec![("Location", to.to_string())], body: Vec::new() }
    }

    /// With another header.
    pub fn with(mut self, name: &'static str, value: impl Into<String>) -> Self {
        self.headers.push((name, value.into()));
        self
    }

    fn bytes(&self, goes_on: bool) -> Vec<u8> {
        let mut head = format!("HTTP/1.1 {} {}\r\n", self.status, reason(self.status));
        let mut line = |name: &str, value: &str| head.push_str(&format!("{name}: {value}\r\n"));
        for (name, value) in &self.headers {
            line(name, value);
        }
        for (name, value) in ALWAYS {
            if !self.headers.iter().any(|(n, _)| *n == name) {
                line(name, value);
            }
        }
        line("Content-Length", &self.body.len().to_string());
        line("Connection", if goes_on { "keep-alive" } else { "close" });
        head.push_str("\r\n");
        let mut bytes = head.into_bytes();
        bytes.extend_from_slice(&self.body);
        bytes
    }
}

/// Said with every answer: nothing from elsewhere runs here, nothing of this is shown or kept elsewhere.
const ALWAYS: [(&str, &str); 6] = [
    (
        "Content-Security-Policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cache-Control", "no-store"),
];

fn reason(status: u16) -> &'static str {
    match status {
        200 => "OK",
        303 => "See Other",
        400 => "Bad Request",
        401 => "Unauthorized",
        403 => "Forbidden",
        404 => "Not Found",
        405 => "Method Not Allowed",
        408 => "Request Timeout",
        411 => "Length Required",
        413 => "Content Too Large",
        415 => "Unsupported Media Type",
        422 => "Unprocessable Content",
        431 => "Request Header Fields Too Large",
        503 => "Service Unavailable",
        _ => "Internal Server Error",
    }
}

/// How a request's body comes.
enum Body {
    /// None, or all read.
    Over,
    /// So many bytes are left.
    Left(u64),
    /// In chunks; so many bytes are left of the one at hand.
    Chunks(u64),
}

/// One connection.
pub struct Connection<'a> {
    stream: &'a TcpStream,
    reader: BufReader<&'a TcpStream>,
    body: Body,
    expects: bool,
}

impl<'a> Connection<'a> {
    /// A connection just made.
    pub fn new(stream: &'a TcpStream) -> Self {
        Self { stream, reader: BufReader::with_capacity(32 << 10, stream), body: Body::Over, expects: false }
    }

    /// The next request's head; none when the other side has closed or fallen silent.
    pub fn next(&mut self) -> Result<Option<Request>, Answer> {
        let Some(head) = self.head()? else { return Ok(None) };
        let mut headers = [httparse::EMPTY_HEADER; MOST_HEADERS];
        let mut parsed = httparse::Request::new(&mut headers);
        match parsed.parse(&head) {
            Ok(httparse::Status::Complete(_)) => {}
            Err(httparse::Error::TooManyHeaders) => return Err(Answer::refused(431, "too many header lines")),
            _ => return Err(Answer::refused(400, "this is no HTTP request")),
        }
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim().to_string();
        let headers: Vec<(String, String)> =
            parsed.headers.iter().map(|h| (h.name.to_ascii_lowercase(), text(h.value))).collect();
        let target = parsed.path.unwrap_or_default();
        let (path, query) = target.split_once('?').unwrap_or((target, ""));
        let path = decoded(path).ok_or_else(|| Answer::refused(400, "the path cannot be read"))?;
        let mut request = Request {
            method: parsed.method.unwrap_or_default().to_string(),
            path,
            query: query.to_string(),
            keeps_open: parsed.version == Some(1),
            headers,
        };
        request.keeps_open &= request.header("connection").is_none_or(|c| !c.eq_ignore_ascii_case("close"));
        self.body = self.body_of(&request)?;
        self.expects = request.header("expect").is_some_and(|e| e.eq_ignore_ascii_case("100-continue"));
        Ok(Some(request))
    }

    fn head(&mut self) -> Result<Option<Vec<u8>>, Answer> {
        let started = Instant::now();
        let mut head = Vec::new();
        let mut byte = [0u8; 1];
        loop {
            match self.reader.read(&mut byte) {
                Ok(0) => return Ok(None),
                Ok(_) => head.push(byte[0]),
                Err(_) if head.is_empty() => return Ok(None),
                Err(_) => return Err(Answer::refused(408, "the request did not come to its end")),
            }
            if head.ends_with(b"\r\n\r\n") || head.ends_with(b"\n\n") {
                return Ok(Some(head));
            }
            if head.len() > MOST_HEAD {
                return Err(Answer::refused(431, "the request's head is too long"));
            }
            if head.len() % 256 == 0 && started.elapsed() > HEAD_TIME {
                return Err(Answer::refused(408, "the request did not come to its end"));
            }
        }
    }

    fn body_of(&self, request: &Request) -> Result<Body, Answer> {
        let lengths: Vec<&str> =
            request.headers.iter().filter(|(n, _)| n == "content-length").map(|(_, v)| v.as_str()).collect();
        match (request.header("transfer-encoding"), lengths.as_slice()) {
            (None, []) => Ok(Body::Over),
            (None, [length]) => match length.parse::<u64>() {
                Ok(0) => Ok(Body::Over),
                Ok(length) => Ok(Body::Left(length)),
                Err(_) => Err(Answer::refused(400, "the content's length cannot be read")),
            },
            (Some(coding), []) if coding.eq_ignore_ascii_case("chunked") => Ok(Body::Chunks(0)),
            // Two lengths, or a length and chunks: one of them is a lie.
            _ => Err(Answer::refused(400, "how long the content is cannot be told")),
        }
    }

    /// The body, written into `to` as it comes, at most `most` bytes.
    pub fn receive(&mut self, most: u64, to: &mut dyn Write) -> Result<u64, Answer> {
        let too_much = || Answer::refused(413, &format!("more than {} MB were sent", most >> 20));
        if matches!(self.body, Body::Left(length) if length > most) {
            return Err(too_much());
        }
        if std::mem::take(&mut self.expects) {
            let mut stream = self.stream;
            drop(stream.write_all(b"HTTP/1.1 100 Continue\r\n\r\n"));
        }
        let mut buffer = vec![0u8; 64 << 10];
        let mut received = 0;
        loop {
            let n = self.read_body(&mut buffer)?;
            if n == 0 {
                return Ok(received);
            }
            received += n as u64;
            if received > most {
                return Err(too_much());
            }
            to.write_all(&buffer[..n]).map_err(|e| Answer::refused(500, &format!("it could not be kept ({e})")))?;
        }
    }

    fn read_body(&mut self, buffer: &mut [u8]) -> Result<usize, Answer> {
        let broken = |_| Answer::refused(408, "the content did not come to its end");
        let left = match self.body {
            Body::Over => return Ok(0),
            Body::Left(left) => left,
            Body::Chunks(0) => match self.chunk_length()? {
                0 => {
                    // Trailers are of no use here: up to the empty line.
                    while !self.line()?.is_empty() {}
                    self.body = Body::Over;
                    return Ok(0);
                }
                length => length,
            },
            Body::Chunks(left) => left,
        };
        let wanted = left.min(buffer.len() as u64) as usize;
        let n = self.reader.read(&mut buffer[..wanted]).map_err(broken)?;
        if n == 0 {
            return Err(broken(io::Error::other("closed")));
        }
        let left = left - n as u64;
        self.body = match self.body {
            Body::Chunks(_) => {
                if left == 0 {
                    self.line()?;
                }
                Body::Chunks(left)
            }
            _ if left == 0 => Body::Over,
            _ => Body::Left(left),
        };
        Ok(n)
    }

    fn chunk_length(&mut self) -> Result<u64, Answer> {
        let line = self.line()?;
        let digits = line.split(';').next().unwrap_or_default().trim();
        u64::from_str_radix(digits, 16).map_err(|_| Answer::refused(400, "a chunk's length cannot be read"))
    }

    fn line(&mut self) -> Result<String, Answer> {
        let mut line = Vec::new();
        let mut byte = [0u8; 1];
        while line.len() < 256 {
            match self.reader.read(&mut byte) {
                Ok(1) if byte[0] == b'\n' => return Ok(String::from_utf8_lossy(&line).trim_end().to_string()),
                Ok(1) => line.push(byte[0]),
                _ => break,
            }
        }
        Err(Answer::refused(400, "the content's chunks cannot be read"))
    }

    /// Was the request's body read to its end?
    pub fn body_read(&self) -> bool {
        matches!(self.body, Body::Over)
    }

    /// Sends an answer; false if the other side is gone.
    pub fn answer(&mut self, answer: &Answer, goes_on: bool) -> bool {
        let mut stream = self.stream;
        stream.write_all(&answer.bytes(goes_on)).and_then(|()| stream.flush()).is_ok()
    }

    /// Ends the connection after an answer: what still comes is read for a moment, so that the answer is not lost.
    pub fn close(&mut self) {
        drop(self.stream.shutdown(Shutdown::Write));
        drop(self.stream.set_read_timeout(Some(Duration::from_millis(300))));
        let until = Instant::now() + Duration::from_secs(2);
        let mut buffer = vec![0u8; 64 << 10];
        let mut drained = 0;
        while drained < MOST_DRAINED && Instant::now() < until {
            match self.reader.read(&mut buffer) {
                Ok(n) if n > 0 => drained += n as u64,
                _ => break,
            }
        }
        drop(self.stream.shutdown(Shutdown::Both));
    }
}

/// Says that there are too many connections, without waiting for the request.
pub fn turn_away(mut stream: TcpStream) {
    drop(stream.set_write_timeout(Some(Duration::from_millis(200))));
    let answer = Answer::refused(503, "too many requests at once: try again in a moment").with("Retry-After", "1");
    drop(stream.write_all(&answer.bytes(false)));
    drop(stream.shutdown(Shutdown::Write));
}

/// Percent-decoding (RFC 3986, 2.1); none for what is no UTF-8 or has a broken escape.
fn decoded(text: &str) -> Option<String> {
    let mut out = Vec::with_capacity(text.len());
    let mut bytes = text.bytes();
    while let Some(b) = bytes.next() {
        if b != b'%' {
            out.push(b);
            continue;
        }
        let digit = |b: Option<u8>| b.and_then(|b| char::from(b).to_digit(16));
        let (high, low) = (digit(bytes.next())?, digit(bytes.next())?);
        out.push((16 * high + low) as u8);
    }
    String::from_utf8(out).ok()
}
