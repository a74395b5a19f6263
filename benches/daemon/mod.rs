//! The program as it is built, and a digitiser's side of its socket, for benches.

#![allow(dead_code, reason = "not every bench uses all of it")]

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::Receiver;

use anyhow::{Context as _, Result};
use simmer::ingest::wire::{Hello, Sender};

/// A program that is stopped when it is no longer looked at.
pub(crate) struct Running(pub(crate) Child);

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended already.
        self.0.kill().ok();
        self.0.wait().ok();
    }
}

/// Starts the program and waits for the lines that say where it listens.
pub(crate) fn start(arguments: &[&str], wanted: &[&str]) -> Result<(Running, Vec<String>)> {
    let mut child = Command::new(env!("CARGO_BIN_EXE_simmer"))
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()?;
    let errors = child.stderr.take().context("no standard error")?;
    let mut lines = BufReader::new(errors).lines();
    let mut found = vec![String::new(); wanted.len()];
    while found.iter().any(String::is_empty) {
        let line = lines.next().context("the program ended")??;
        for (place, word) in wanted.iter().enumerate() {
            if let Some(rest) = line.strip_prefix(word) {
                found[place] = rest.trim_end_matches('/').to_owned();
            }
        }
    }
    // What it says later must not fill the pipe.
    std::thread::spawn(move || lines.for_each(drop));
    Ok((Running(child), found))
}

pub(crate) fn get(address: &str, path: &str) -> Result<TcpStream> {
    let mut stream = TcpStream::connect(address)?;
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\n\r\n")?;
    Ok(stream)
}

/// A connection whose stream was taken.
pub(crate) struct Link {
    stream: TcpStream,
    pub(crate) sender: Sender,
    /// What the monitor says.
    said: Receiver<String>,
}

/// Connects and says hello.
pub(crate) fn greet(address: &str, hello: Hello) -> Result<Link> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_nodelay(true)?;
    let mut reader = BufReader::new(stream.try_clone()?);
    let mut sender = Sender::new(hello, 64 << 20);
    stream.write_all(sender.hello_line().as_bytes())?;
    let mut line = String::new();
    reader.read_line(&mut line)?;
    sender.line(line.as_bytes()).map_err(|refusal| anyhow::anyhow!(refusal.detail))?;
    let (lines, said) = std::sync::mpsc::sync_channel(4096);
    // What the monitor says must be read.
    std::thread::spawn(move || {
        for mut line in reader.lines().map_while(Result::ok) {
            line.push('\n');
            if lines.send(line).is_err() {
                break;
            }
        }
    });
    Ok(Link { stream, sender, said })
}

impl Link {
    /// Writes what the sender holds and hears what the monitor has said meanwhile.
    pub(crate) fn write(&mut self) -> Result<()> {
        while let Ok(line) = self.said.try_recv() {
            self.hear(&line)?;
        }
        while let Some(bytes) = self.sender.next_frame() {
            self.stream.write_all(bytes)?;
        }
        Ok(())
    }

    fn hear(&mut self, line: &str) -> Result<()> {
        let heard = self.sender.line(line.as_bytes());
        heard.map(drop).map_err(|refusal| anyhow::anyhow!(refusal.detail))
    }

    /// Ends the stream; the monitor's totals, as it says them.
    pub(crate) fn end(mut self) -> Result<String> {
        self.write()?;
        let end = self.sender.end(0).context("frames are left")?;
        self.stream.write_all(&end)?;
        loop {
            let line = self.said.recv().context("the monitor has gone")?;
            if line.contains("\"end\"") {
                return Ok(line.trim().to_owned());
            }
            self.hear(&line)?;
        }
    }
}
