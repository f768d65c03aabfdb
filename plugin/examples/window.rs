//! Opens the window with made-up passes: `cargo run -p notefront --features fixture --example window [VIEW] [dark]`.
//!
//! VIEW: lane, closeup, compare, settings, markers, many, empty, quiet, or an audio file to analyse.

use nice_plug::editor::dpi::{LogicalSize, Size};
use nice_plug_egui::{App, EguiWindow, EguiWindowSettings, Frame};
use notefront::fixture;
use notefront::looks::{Colours, Looks};
use notefront::meters::Meters;
use notefront::params::NotefrontParams;
use notefront::passes::{Origin, Pass};
use notefront::session::Session;
use notefront::transport::TransportView;
use notefront::view::{Screen, ScreenInput};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

struct Window {
    session: Session,
    params: NotefrontParams,
    meters: Meters,
    looks: Looks,
    screen: Screen,
    own_work: Vec<Duration>,
}

impl App for Window {
    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        let began = Instant::now();
        let mut input = ScreenInput {
            session: &mut self.session,
            params: &self.params,
            meters: &self.meters,
            looks: &mut self.looks,
        };
        self.screen.show(ui, &mut input);
        self.own_work.push(began.elapsed());
        if self.own_work.len() == 100 {
            self.own_work.sort();
            println!("own work a frame: median {:?}, worst {:?}", self.own_work[50], self.own_work[99]);
            self.own_work.clear();
        }
        ui.ctx().request_repaint();
    }
}

fn window(view: &str, dark: bool) -> Window {
    let meters = Meters::default();
    meters.clock.store(u64::from(view != "empty"), Ordering::Relaxed);
    let mut window = Window {
        session: Session::default(),
        params: NotefrontParams::default(),
        meters,
        looks: Looks { colours: if dark { Colours::Dark } else { Colours::Light }, ..Looks::default() },
        screen: Screen::default(),
        own_work: Vec::new(),
    };
    match view {
        "empty" => {}
        "quiet" => {
            let quiet = fixture::pass_at_60(&[]);
            window.session.add(Pass { live: true, duration_s: 9.0, ..quiet });
        }
        "many" => {
            window.session.add(fixture::mixed_pass(10_000, 5));
        }
        file if std::path::Path::new(file).is_file() => {
            window.session.add(analysed(file, &window.params));
            window.screen.select(Some(1));
        }
        _ => {
            window.session.add(fixture::showcase(1));
            window.session.add(fixture::showcase(0));
        }
    }
    if view == "closeup" {
        let flagged = window.session.passes()[1].entrances.iter().position(|e| e.faults.iter().count() == 3);
        window.screen.select(flagged);
    }
    window.screen.open(view == "compare", view == "markers", view == "settings");
    window
}

/// A take file as a pass with beats at 61 a minute from 1 s on, as the made takes have them.
fn analysed(file: &str, params: &NotefrontParams) -> Pass {
    let sound = notefront_tests::audio::read(std::path::Path::new(file)).unwrap_or_else(|e| panic!("{e}"));
    let beats = TransportView {
        playing: true,
        pos_samples: Some(0),
        pos_beats: Some(-61.0 / 60.0),
        tempo_bpm: Some(61.0),
        time_signature: Some((4, 4)),
        bar_start_beats: Some(0.0),
    };
    let mut pass = Pass::begin(Origin::Played, sound.rate_hz, &beats);
    pass.wave.push(&sound.samples);
    pass.duration_s = sound.samples.len() as f64 / sound.rate_hz;
    let judging = notefront::worker::judging(params);
    let entrances = notefront_dsp::analyze(&sound.samples, sound.rate_hz, params.settings()).unwrap_or_default();
    entrances.into_iter().for_each(|e| pass.push_entrance(e, &judging));
    pass.live = false;
    pass
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let view = args.first().map_or("lane", String::as_str);
    let window = window(view, args.iter().any(|a| a == "dark"));
    let size = LogicalSize::new(f64::from(window.looks.width), f64::from(window.looks.height));
    let settings = EguiWindowSettings::new().with_title("Notefront").with_size(Size::Logical(size.cast()));
    match EguiWindow::create(settings, window) {
        Ok(open) => {
            if let Err(error) = open.run_until_closed() {
                eprintln!("{error}");
            }
        }
        Err(error) => eprintln!("no window: {error}"),
    }
}
