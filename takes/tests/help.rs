//! The help: its examples work as they stand, and it names what a player has to know.

mod common;

use common::{RATE, Takes, note, notefront, notefront_in, stderr, stdout};

/// The commands of the examples in a help: lines that stand in by four blanks and name the program.
fn examples(help: &str) -> Vec<String> {
    let indented = help.lines().filter_map(|line| line.strip_prefix("    notefront "));
    indented.map(str::to_owned).collect()
}

/// Eight quarters of Bb2 as MusicXML.
const ETUDE: &str = "<score-partwise><part-list><score-part id=\"P1\"><part-name>Trombone</part-name></score-part>\
    </part-list><part id=\"P1\"><measure number=\"1\"><attributes><divisions>1</divisions></attributes>\
    <note><pitch><step>B</step><alter>-1</alter><octave>2</octave></pitch><duration>1</duration></note>\
    </measure></part></score-partwise>";

#[test]
fn three_examples_stand_in_the_help_and_each_works() {
    for command in [&["--help"][..], &["scan", "--help"]] {
        let help = stdout(&notefront(command));
        let examples = examples(&help);
        assert_eq!(examples.len(), 3, "{help}");
        for example in examples {
            let takes = Takes::new();
            for name in ["take.wav", "monday.wav", "tuesday.wav"] {
                takes.wav(name, 1, RATE, &note(RATE, 1.5));
            }
            takes.bytes("etude.musicxml", ETUDE);
            let args: Vec<&str> = example.split_whitespace().collect();
            let output = notefront_in(&takes.path("."), &args);
            assert_eq!(output.status.code(), Some(0), "{example}: {}", stderr(&output));
        }
    }
}

#[test]
fn the_horns_are_named_the_bass_among_them() {
    let help = stdout(&notefront(&["scan", "--help"]));
    for horn in ["tenor:", "f-attachment:", "bass:", "alto:"] {
        assert!(help.contains(horn), "{horn} in {help}");
    }
    let takes = Takes::new();
    let take = takes.good("take.wav");
    let output = notefront(&["scan", take.to_str().expect("plain"), "--instrument", "kazoo"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("tenor, f-attachment, bass, alto"), "{}", stderr(&output));
    assert_eq!(notefront(&["scan", take.to_str().expect("plain"), "--instrument", "bass"]).status.code(), Some(0));
}
