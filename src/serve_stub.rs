//! Stub.
#![allow(missing_docs, clippy::all, reason = "stub")]
use crate::config::Settings;
use crate::detect::{Act, Baseline};
use crate::signal::Plan;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio_util::sync::CancellationToken;
pub struct Facts;
impl Facts {
    pub fn new(_: &Plan, _: &Settings, _: &str, _: bool) -> Self {
        Self
    }
}
pub struct Hub;
impl Hub {
    pub fn new(_: Facts, _: Option<&Baseline>, _: u64) -> Arc<Self> {
        Arc::new(Self)
    }
    pub fn publish(&self, _: &crate::engine::Judged) {}
    pub fn stream(&self, _: StreamState) {}
    pub fn counts(&self, _: StreamCounts) {}
    pub fn folder(&self, _: Option<&Path>, _: Option<String>) {}
    pub fn stopped(&self) {}
}
pub enum StreamState {
    Waiting,
    Up { name: String, device: String, stage_from: &'static str },
    Cut,
    Ended,
}
pub struct StreamCounts {
    pub received: u64,
    pub lost: u64,
    pub frames_lost: u64,
    pub crc: u64,
    pub late: u64,
    pub duplicates: u64,
    pub unfinished: u64,
}
#[derive(Clone)]
pub struct Desk(tokio::sync::mpsc::Sender<Act>, Arc<std::sync::atomic::AtomicU64>);
impl Desk {
    pub fn new(s: tokio::sync::mpsc::Sender<Act>) -> Self {
        Self(s, Arc::default())
    }
    pub fn next_mark(&self) -> u64 {
        self.1.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1
    }
    pub async fn take(&self, a: Act) -> Result<(), ()> {
        self.0.send(a).await.map_err(|_| ())
    }
}
pub enum Web {
    Embedded,
    Folder(PathBuf),
}
pub struct Guard;
impl Guard {
    pub fn new(_: std::net::SocketAddr, _: Option<String>) -> Self {
        Self
    }
}
pub struct R;
pub fn router(_: Arc<Hub>, _: Desk, _: Web, _: Guard, _: CancellationToken) -> R {
    R
}
pub async fn serve(_: tokio::net::TcpListener, _: R, s: CancellationToken) -> std::io::Result<()> {
    s.cancelled().await;
    Ok(())
}
