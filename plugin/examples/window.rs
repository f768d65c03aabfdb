//! Opens the window with made-up passes:
//! `cargo run -p notefront --features fixture --example window [VIEW] [dark] [WIDTHxHEIGHT] [zoom=2] [text=1.5] [bpm=61]
//! [lines=below=1.4] [ear=below=1.4]`.
//!
//! VIEW: lane, closeup, correct, compare, patterns, settings, markers, many, empty, waiting, listening, quiet, clipped, free,
//! or an audio file to analyse (its first beat 1 s in).

use notefront::choices::Choices;
use notefront::fixture;
use notefront::framework;
use notefront::looks::{Colours, Looks};
use notefront::passes::{Origin, Pass};
use notefront::transport::TransportView;
use notefront::view::Screen;
use notefront::view::header::View;
use notefront::whole_window::WholeWindow;
use notefront_dsp::FaultName;
use notefront_takes::corrections::ear::Lines;
use notefront_takes::corrections::{By, What};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

struct Window {
    whole: WholeWindow,
    own_work: Vec<Duration>,
}

impl Window {
    fn frame(&mut self, ui: &mut egui::Ui) {
        let began = Instant::now();
        let output = self.whole.frame(ui);
        for task in output.tasks {
            task.follow(&mut self.whole.choices);
            self.whole.session.rejudge(&self.whole.choices.judging());
        }
        self.own_work.push(began.elapsed());
        if self.own_work.len() == 100 {
            self.own_work.sort();
            println!("own work a frame: median {:?}, worst {:?}", self.own_work[50], self.own_work[99]);
            self.own_work.clear();
        }
        ui.ctx().request_repaint();
    }
}

/// The words of the command line.
struct Args(Vec<String>);

impl Args {
    fn view(&self) -> &str {
        self.0.first().map_or("lane", String::as_str)
    }

    fn number(&self, name: &str) -> Option<f32> {
        self.0.iter().find_map(|a| a.strip_prefix(name)?.strip_prefix('=')?.parse().ok())
    }

    fn lines(&self, name: &str) -> Lines {
        let told = self.0.iter().find_map(|a| a.strip_prefix(name)?.strip_prefix('='));
        told.map_or_else(Lines::default, |told| Lines::read(told).unwrap_or_else(|e| panic!("{e}")))
    }

    fn looks(&self) -> Looks {
        let mut looks = Looks { text_scale: self.number("text").unwrap_or(1.0), ..Looks::default() };
        if self.0.iter().any(|a| a == "dark") {
            looks.colours = Colours::Dark;
        }
        let size =
            self.0.iter().find_map(|a| a.split_once('x').and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?))));
        if let Some((width, height)) = size {
            (looks.width, looks.height) = (width, height);
        }
        looks
    }
}

fn window(args: &Args) -> Window {
    let mut whole =
        WholeWindow { looks: args.looks(), screen: Screen::writing_to("Notefront".into()), ..Default::default() };
    whole.meters.clock.store(u64::from(args.view() != "empty"), Ordering::Relaxed);
    (whole.choices.lines, whole.screen.ear_lines) = (args.lines("lines"), args.lines("ear"));
    passes(&mut whole, args);
    if args.view() == "correct" {
        corrected(&mut whole);
    }
    if args.view() == "closeup" {
        let flagged = whole.session.passes()[1].entrances.iter().position(|e| e.verdict.faults.iter().count() == 3);
        whole.screen.select(flagged);
    }
    let middle = match args.view() {
        "compare" => View::Compare,
        "patterns" => View::Patterns,
        _ => View::Lane,
    };
    whole.screen.open(middle, args.view() == "markers", args.view() == "settings");
    Window { whole, own_work: Vec::new() }
}

fn passes(window: &mut WholeWindow, args: &Args) {
    let session = &mut window.session;
    let running = |duration_s: f64| Pass { live: true, duration_s, ..fixture::pass_at_60(&[]) };
    match args.view() {
        "empty" | "waiting" => {}
        "listening" => drop(session.add(running(0.8))),
        "quiet" => {
            session.add(fixture::showcase(0));
            session.add(running(9.0));
        }
        "clipped" => {
            session.add(Pass { clipped_at_s: vec![3.05, 8.04, 8.3], ..fixture::showcase(0) });
        }
        "free" => {
            session.add(Pass { origin: Origin::Free, beats: Default::default(), ..fixture::showcase(0) });
        }
        "many" => drop(session.add(fixture::mixed_pass(10_000, 5))),
        "patterns" => drop(session.add(fixture::mixed_pass(240, 5))),
        file if std::path::Path::new(file).is_file() => {
            session.add(analysed(file, args.number("bpm").map_or(61.0, f64::from), &window.choices));
            window.screen.select(Some(1));
        }
        _ => {
            session.add(fixture::showcase(1));
            session.add(fixture::showcase(0));
        }
    }
}

/// A pass of which things were said, and what more can be.
fn corrected(window: &mut WholeWindow) {
    let judging = window.choices.judging();
    window.session.rejudge(&judging);
    let pass = window.session.pass_mut(2).expect("two were added");
    let at = |place: usize| pass.entrances[place].front.speaks_s;
    for (at_s, what) in [
        (at(1), What::Fine { reason: Some("a ghost note".into()) }),
        (at(4), What::Removed),
        (at(6) + 0.5, What::Added { midi_note: Some(53) }),
        (at(8), What::Unclear { fault: Some(FaultName::Airy) }),
        (at(0), What::Unclear { fault: None }),
    ] {
        pass.say(By::Insert, at_s, what, &judging);
    }
    window.screen.select(Some(1));
    window.screen.correct(true);
}

/// A take file as a pass with beats from 1 s on, as the made takes have them.
fn analysed(file: &str, bpm: f64, choices: &Choices) -> Pass {
    let sound = notefront_tests::audio::read(std::path::Path::new(file)).unwrap_or_else(|e| panic!("{e}"));
    let beats = TransportView {
        playing: true,
        pos_samples: Some(0),
        pos_beats: Some(-bpm / 60.0),
        tempo_bpm: Some(bpm),
        time_signature: Some((4, 4)),
        bar_start_beats: Some(0.0),
    };
    let mut pass = Pass::begin(Origin::Played, sound.rate_hz, &beats);
    pass.wave.push(&sound.samples);
    pass.duration_s = sound.samples.len() as f64 / sound.rate_hz;
    let judging = choices.judging();
    let fronts = notefront_dsp::analyze(&sound.samples, sound.rate_hz, choices.settings()).unwrap_or_default();
    for front in fronts {
        pass.push_front(front, &judging);
    }
    pass.live = false;
    pass
}

fn main() {
    let args = Args(std::env::args().skip(1).collect());
    let mut window = window(&args);
    let size = (window.whole.looks.width, window.whole.looks.height);
    let shown = framework::window::run(size, args.number("zoom").map(f64::from), move |ui| window.frame(ui));
    if let Err(why) = shown {
        eprintln!("no window: {why}");
    }
}
