//! Shared pieces of the end-to-end tests.
