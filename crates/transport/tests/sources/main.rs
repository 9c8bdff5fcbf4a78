//! Real sources: pseudo-terminals, loopback TCP and UDP.
#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "test helpers: a failed set-up fails the test")]

mod common;
mod network;
mod sending;
mod serial;
