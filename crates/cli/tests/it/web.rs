//! An HTTP client that sends exactly what it is told, however foul.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use serde_json::Value;

use crate::Server;

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: Vec<u8>,
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers
            .iter()
            .find(|(n, _)| n == name)
            .map(|(_, v)| v.as_str())
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }

    /// The answer has this status; gives its JSON.
    pub(crate) fn expect(&self, status: u16) -> Value {
        assert_eq!(
            self.status,
            status,
            "{}",
            String::from_utf8_lossy(&self.body)
        );
        if self.body.is_empty() {
            Value::Null
        } else {
            self.json()
        }
    }

    /// It was refused with this status, in plain words with a next step.
    pub(crate) fn refused(&self, status: u16) -> String {
        let body = self.expect(status);
        assert!(
            body["error"].as_str().is_some_and(|e| !e.is_empty()),
            "{body}"
        );
        assert!(body["hint"].as_str().is_some(), "{body}");
        body["error"].as_str().unwrap().to_owned()
    }
}

impl Server {
    /// Sends a request with exactly these headers; `None` if the connection broke.
    pub(crate) fn raw(
        &self,
        method: &str,
        target: &str,
        headers: &[(&str, &str)],
        body: &[u8],
    ) -> Option<Answer> {
        let mut stream = TcpStream::connect(&self.host).ok()?;
        stream
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        let mut head = format!("{method} {target} HTTP/1.1\r\nConnection: close\r\n");
        for (name, value) in headers {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        stream.write_all(format!("{head}\r\n").as_bytes()).ok()?;
        stream.write_all(body).ok()?;
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).ok()?;
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n")?;
        let text = std::str::from_utf8(&bytes[..end]).unwrap();
        let mut lines = text.split("\r\n");
        let status = lines.next()?.split(' ').nth(1)?.parse().ok()?;
        let headers = lines
            .filter_map(|l| l.split_once(": "))
            .map(|(n, v)| (n.to_lowercase(), v.to_owned()))
            .collect();
        Some(Answer {
            status,
            headers,
            body: bytes[end + 4..].to_vec(),
        })
    }

    pub(crate) fn get(&self, target: &str) -> Answer {
        self.get_with(target, &[])
    }

    pub(crate) fn get_with(&self, target: &str, more: &[(&str, &str)]) -> Answer {
        let host = self.host.clone();
        let headers: Vec<(&str, &str)> = [("Host", host.as_str())]
            .iter()
            .chain(more)
            .copied()
            .collect();
        self.raw("GET", target, &headers, b"").unwrap()
    }

    /// Sends JSON as the page does.
    pub(crate) fn send(&self, method: &str, target: &str, value: &Value) -> Answer {
        self.try_send(method, target, value).unwrap()
    }

    /// The same; `None` if the connection broke.
    pub(crate) fn try_send(&self, method: &str, target: &str, value: &Value) -> Option<Answer> {
        let body = value.to_string();
        let origin = format!("http://{}", self.host);
        let len = body.len().to_string();
        let headers = [
            ("Host", self.host.as_str()),
            ("Origin", &origin),
            ("Sec-Fetch-Site", "same-origin"),
            ("Content-Type", "application/json"),
            ("Content-Length", &len),
        ];
        self.raw(method, target, &headers, body.as_bytes())
    }

    /// Sends a file as the page does.
    pub(crate) fn upload(&self, target: &str, bytes: &[u8]) -> Answer {
        self.try_upload(target, bytes).unwrap()
    }

    /// The same; `None` if the connection broke, as it may where a file is refused before it has
    /// come (RFC 9112, section 9.6).
    pub(crate) fn try_upload(&self, target: &str, bytes: &[u8]) -> Option<Answer> {
        let len = bytes.len().to_string();
        let headers = [("Host", self.host.as_str()), ("Content-Length", &len)];
        self.raw("POST", target, &headers, bytes)
    }
}
