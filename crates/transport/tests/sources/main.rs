//! Real sources: pseudo-terminals, loopback TCP and UDP.
#![cfg(unix)]

mod common;
mod network;
mod serial;
