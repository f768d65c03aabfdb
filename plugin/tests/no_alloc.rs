//! The audio side neither allocates nor frees, in real time, with and without look-ahead.
//!
//! The guard aborts the process, so the insert is played in a child process. Only with the feature
//! `assert_process_allocs`: `cargo test -p notefront --features assert_process_allocs --test no_alloc`.
#![cfg(feature = "assert_process_allocs")]
#![allow(missing_docs)]

mod common;

use common::{Insert, Play, noise, transport};
use serde_json::json;
use std::process::Command;
use std::time::Duration;

/// Set in the child.
const CHILD: &str = "NOTEFRONT_NO_ALLOC_CHILD";

#[test]
fn the_audio_side_does_not_allocate() {
    if std::env::var_os(CHILD).is_some() {
        return play_everything();
    }
    let itself = std::env::current_exe().expect("a running test has a path");
    let child = Command::new(itself).env(CHILD, "1").arg("--nocapture").output().expect("a child process");
    assert!(child.status.success(), "{}", String::from_utf8_lossy(&child.stderr));
}

fn play_everything() {
    for look_ahead in [false, true] {
        for block in [1, 64, 2048] {
            let mut insert = Insert::with_params(json!({ "look_ahead": { "bool": look_ahead } }));
            let input = [noise(40_000, 1), noise(40_000, 2)];
            let play = Play { offline: false, rest: Duration::ZERO, ..Play::offline(48_000.0, block) };
            // A loop, a stop and a tempo change on the way.
            let transport = |at: u64| {
                let s = (at % 12_000) as f64 / 48_000.0;
                Some(transport(at % 30_000 < 25_000, s, 2.0 * s, if at < 20_000 { 120.0 } else { 90.0 }))
            };
            insert.play(&play, &input, &transport);
        }
    }
}
