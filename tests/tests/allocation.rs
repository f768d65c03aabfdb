//! The analysis allocates when it is made and never again: the audio worker of a host may run it.

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use notefront_dsp::{Analyzer, Settings};
use notefront_tests::synth::make;

// Aborts the process when anything is allocated or freed inside `assert_no_alloc`.
#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

#[test]
fn nothing_is_allocated_once_it_runs() {
    let (sound, truth) = make("faults", 5).expect("a kind").make(48_000.0, 5);
    let mut analyzer = Analyzer::new(sound.rate_hz, Settings::default()).expect("a rate in range");
    let num_heard = assert_no_alloc(|| {
        let mut num = 0;
        for block in sound.samples.chunks(441) {
            analyzer.push(block);
            num += std::iter::from_fn(|| analyzer.next_event()).count();
        }
        analyzer.finish();
        num += std::iter::from_fn(|| analyzer.next_event()).count();
        analyzer.reset();
        num
    });
    // An entrance and, for most, the end of its note.
    assert!(num_heard >= truth.entrances.len(), "{num_heard} events of {} notes", truth.entrances.len());
}
