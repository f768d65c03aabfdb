//! The standalone's window: the panel over the screen of the insert.

mod devices;
mod listening;

use super::arguments::Arguments;
use super::cards::{Card, Cards};
use super::controls::Controls;
use super::level::Level;
use super::listen::Listener;
use super::memory::{Memory, OwnSettings};
use super::panel::{self, PanelInput, PanelWish};
use super::sitting::Sitting;
use super::sound::{Parts, Sound};
use crate::choices::{Choices, OwnChoices};
use crate::desk::Desk;
use crate::framework;
use crate::kept_sound::KeptSound;
use crate::meters::Meters;
use crate::passes::PassId;
use crate::project::Project;
use crate::quiet::PassEnd;
use crate::take_file::TakeLoader;
use crate::tasks::Task;
use crate::view::theme::Theme;
use crate::words;
use egui::{Frame as Border, Margin, Panel};
use notefront_takes::remembered;
use notefront_takes::words::{word, worst_first};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Size at first, logical pixels: the insert's, and the panel over it.
const SIZE: (u32, u32) = (1060, 780);
/// The level is drawn this often.
const FRAME_TIME: Duration = Duration::from_millis(33);
/// A stream that breaks off again so soon is not opened again by itself.
const AGAIN_AFTER: Duration = Duration::from_secs(5);
/// An open input that gives nothing for so long is called silent.
const NOTHING_FOR: Duration = Duration::from_secs(3);

/// How long the window has to close in order when the display has destroyed it; then the program ends by itself.
const CLOSING: Duration = Duration::from_secs(2);

/// Opens the window, and returns when it is closed.
///
/// # Errors
/// Why there is none, in words.
pub fn run(arguments: &Arguments) -> Result<(), String> {
    let choices = Arc::<OwnChoices>::default();
    let project = Project::with(choices.clone());
    let parts = Parts {
        project: project.clone(),
        meters: Arc::<Meters>::default(),
        controls: Arc::<Controls>::default(),
        pass_end: Arc::<PassEnd>::default(),
        kept_sound: Arc::<KeptSound>::default(),
    };
    let (memory, notice) = match Memory::usual(&project) {
        Ok((memory, notice)) => (Some(Arc::new(memory)), notice),
        Err(why) => (None, Some(why)),
    };
    let settings = memory.as_ref().map(|memory| memory.settings.lock().clone()).unwrap_or_default();
    *choices.0.write() = Choices { lines: remembered::moved_lines(), ..settings.choices };
    project.session.lock().is_stale = true;
    parts.pass_end.end_on_time_line();
    parts.pass_end.set_gap_s(arguments.silence.unwrap_or(settings.gap_s));
    let mut alone = Alone::new(parts, choices, settings, arguments, memory.clone(), notice)?;
    let keep = move || memory.as_ref().map_or(Ok(()), |memory| memory.keep(&project));
    let (kept_again, draw) = (keep.clone(), move |ui: &mut egui::Ui| alone.frame(ui));
    framework::window::run_watched(SIZE, draw, move || leave(&kept_again)).map_err(|why| {
        format!(
            "There is no window to be had: {why}. Start it on a desktop; takes from files are judged without one by `notefront scan`."
        )
    })?;
    keep()
}

/// The display has destroyed the window. Where the program itself closed it, it is about to end; where another did, or the
/// display is gone, it would play on unseen.
fn leave(keep: &dyn Fn() -> Result<(), String>) {
    std::thread::sleep(CLOSING);
    if let Err(why) = keep() {
        eprintln!("{why}");
    }
    std::process::exit(0);
}

struct Alone {
    parts: Parts,
    choices: Arc<OwnChoices>,
    desk: Desk,
    cards: Cards,
    names: (Vec<String>, Vec<String>),
    chosen: (Option<usize>, Option<usize>),
    sound: Option<Sound>,
    listener: Listener,
    /// A blind sitting, while one is held.
    sitting: Option<Sitting>,
    level: Level,
    round_trip: String,
    notices: Vec<String>,
    /// What is said as long as the window is open.
    lasting: Option<String>,
    memory: Option<Arc<Memory>>,
    settings: OwnSettings,
    /// Entrances are printed, and which pass's how many are.
    printed: Option<(PassId, usize)>,
    path: String,
    /// When the input last gave something, and how much it had given.
    heard: (Instant, u64),
    /// When a stream broke off last.
    broke_at: Option<Instant>,
    record_at_once: bool,
}

impl Alone {
    fn new(
        parts: Parts,
        choices: Arc<OwnChoices>,
        settings: OwnSettings,
        arguments: &Arguments,
        memory: Option<Arc<Memory>>,
        lasting: Option<String>,
    ) -> Result<Self, String> {
        let loader = Arc::new(TakeLoader::new(parts.project.clone()));
        let desk = Desk::new(parts.project.clone(), parts.meters.clone(), loader, true);
        if let Some(take) = &arguments.take {
            desk.load(take)?;
        }
        let channel = arguments.channel.map_or(settings.channel, |channel| usize::from(channel - 1));
        parts.controls.channel.store(channel, Ordering::Relaxed);
        parts.controls.set_beats(&settings.beats);
        parts.controls.with_beats.store(settings.with_beats, Ordering::Relaxed);
        let now = Instant::now();
        let listener = Listener::new(parts.project.session.clone(), parts.kept_sound.clone());
        let mut alone = Self {
            parts,
            choices,
            desk,
            cards: Cards::default(),
            names: Default::default(),
            chosen: (None, None),
            sound: None,
            listener,
            sitting: None,
            level: Level::new(now),
            round_trip: "delay not measured".into(),
            notices: Vec::new(),
            lasting,
            memory,
            printed: arguments.print.then_some((0, 0)),
            path: String::new(),
            heard: (now, 0),
            broke_at: None,
            record_at_once: arguments.record,
            settings,
        };
        alone.look_for_cards();
        let wanted = |cards: &[Card], name: &Option<String>| match name {
            None => Ok(None),
            Some(name) => match cards.iter().position(|c| c.name.to_lowercase().contains(&name.to_lowercase())) {
                Some(place) => Ok(Some(place)),
                None => Err(format!("Nothing here is called \u{201c}{name}\u{201d}: --list prints what there is.")),
            },
        };
        let place = |cards: &[Card], name: &Option<String>| cards.iter().position(|c| Some(&c.name) == name.as_ref());
        let input = wanted(&alone.cards.inputs, &arguments.input)?;
        let output = wanted(&alone.cards.outputs, &arguments.output)?;
        let last_input = place(&alone.cards.inputs, &alone.settings.input);
        alone.chosen.1 = output.or_else(|| place(&alone.cards.outputs, &alone.settings.output));
        alone.open_first(input, last_input);
        Ok(alone)
    }

    /// What is to be there again in the next window.
    fn follow_settings(&mut self) {
        let Some(memory) = &self.memory else { return };
        if let Some((input, output, _)) = self.devices() {
            (self.settings.input, self.settings.output) = (Some(input), output);
        }
        let controls = &self.parts.controls;
        self.settings.choices = *self.choices.0.read();
        self.settings.channel = controls.channel.load(Ordering::Relaxed);
        self.settings.beats = controls.beats();
        self.settings.with_beats = controls.with_beats.load(Ordering::Relaxed);
        self.settings.gap_s = self.parts.pass_end.gap_s();
        memory.settings.lock().clone_from(&self.settings);
    }

    /// Prints what is shown now and was not before: the time of day, s, the note and its word.
    fn print(&mut self) {
        let Some((id, num)) = &mut self.printed else { return };
        let session = self.parts.project.session.lock();
        let Some(pass) = session.newest() else { return };
        if *id != pass.id {
            (*id, *num) = (pass.id, 0);
        }
        let now_s = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |d| d.as_secs_f64());
        for entrance in pass.entrances.iter().skip(*num) {
            let said = worst_first(entrance).first().map_or("clear", |fault| word(fault.name));
            println!("{now_s:.3} {} {said}", words::note(entrance));
        }
        *num = pass.entrances.len();
    }

    fn notices(&self) -> Vec<String> {
        let mut notices: Vec<String> = self.lasting.iter().chain(&self.notices).cloned().collect();
        notices.extend(Some(self.desk.listening_trouble().to_owned()).filter(|why| !why.is_empty()));
        if self.chosen.0.is_some() && self.heard.0.elapsed() > NOTHING_FOR {
            notices.push(
                "Nothing comes from this input: another program may hold it. Choose it again, or another.".into(),
            );
        }
        let stumbles = self.parts.controls.stumbles.load(Ordering::Relaxed);
        if stumbles > 0 {
            notices.push(format!("Sound was lost on its way ({stumbles} times): close what keeps the computer busy."));
        }
        let is_unmeasured = self.parts.controls.round_trip.load(Ordering::Relaxed) == 0;
        if self.parts.controls.with_beats.load(Ordering::Relaxed) && is_unmeasured {
            notices.push("Timing against the click is only as good as the delay that is taken off: measure it.".into());
        }
        notices
    }

    fn show_panel(&mut self, ui: &mut egui::Ui) -> Vec<PanelWish> {
        let looks = self.desk.looks();
        let controls = self.parts.controls.clone();
        let channels = self.chosen.0.and_then(|i| self.cards.inputs.get(i)).map_or(1, |c| usize::from(c.num_channels));
        let session = self.parts.project.session.lock();
        let pass = session.newest();
        let last = pass.and_then(|p| Some(p.as_scanned(p.entrances.len().checked_sub(1)?)));
        let last = last.as_ref();
        let place = pass.zip(last).map_or(String::new(), |(p, e)| words::place(p, e.front.speaks_s).at);
        let notices = self.notices();
        let input = PanelInput {
            inputs: &self.names.0,
            outputs: &self.names.1,
            input: self.chosen.0,
            output: self.chosen.1,
            channels: (channels, controls.channel.load(Ordering::Relaxed).min(channels - 1)),
            level_db: (self.level.bar_db(), self.level.held_db()),
            recording: controls.recording.load(Ordering::Relaxed),
            with_beats: controls.with_beats.load(Ordering::Relaxed),
            beats: controls.beats(),
            gap_s: self.parts.pass_end.gap_s(),
            round_trip: &self.round_trip,
            notices: &notices,
            last,
            place: &place,
        };
        let theme = Theme::of(looks.colours);
        let border = Border::new().fill(theme.panel).inner_margin(Margin::symmetric(10, 6));
        let path = &mut self.path;
        Panel::top("alone").frame(border).show(ui, |ui| panel::show(ui, &input, path, &theme, looks.text_scale)).inner
    }

    fn follow(&mut self, wish: PanelWish) {
        let controls = self.parts.controls.clone();
        match wish {
            PanelWish::Input(place) => drop(self.open(place, self.chosen.1)),
            PanelWish::Output(output) => {
                if let Some(input) = self.chosen.0 {
                    controls.with_beats.fetch_and(output.is_some(), Ordering::Relaxed);
                    self.open(input, output);
                } else if let Some(output) = output {
                    self.notices.clear();
                    self.open_output(output);
                } else {
                    self.close();
                }
            }
            PanelWish::LookAgain => {
                self.close();
                self.look_for_cards();
                self.notices.clear();
                self.open_first(None, None);
            }
            PanelWish::Channel(channel) => controls.channel.store(channel, Ordering::Relaxed),
            PanelWish::Record(true) => {
                self.listener.stop();
                controls.start();
            }
            PanelWish::Record(false) => controls.stop(),
            PanelWish::WithBeats(on) => controls.with_beats.store(on, Ordering::Relaxed),
            PanelWish::Beats(beats) => controls.set_beats(&beats),
            PanelWish::Gap(gap_s) => self.parts.pass_end.set_gap_s(gap_s),
            PanelWish::Measure => {
                if let Some(sound) = &mut self.sound {
                    sound.begin_to_measure();
                    self.round_trip = "measuring: be quiet for five seconds".into();
                }
            }
            PanelWish::Take(path) => self.load(Path::new(&path)),
            PanelWish::FindTake => self.desk.find_take(),
            PanelWish::Blind => self.begin_sitting(self.desk.on_show()),
        }
    }

    fn load(&mut self, path: &Path) {
        self.notices.clear();
        self.notices.extend(self.desk.load(path).err());
    }

    /// Follows a choice. Without an input there is no worker that judges anew: the next frame does. Moved lines hold for every
    /// program.
    fn choose(&mut self, task: Task) {
        task.follow(&mut self.choices.0.write());
        self.parts.project.session.lock().is_stale = true;
        if let Task::Lines(lines) = task
            && let Err(why) = remembered::remember_lines(lines)
        {
            self.notices.push(format!("Lines are moved in this window only: {why}."));
        }
    }

    /// Draws a frame.
    fn frame(&mut self, ui: &mut egui::Ui) {
        self.parts.project.session.redraw().has_drawn(ui.ctx());
        self.look_after();
        self.listener.look(self.desk.listening());
        if self.sitting.is_some() {
            self.show_sitting(ui);
            return ui.ctx().request_repaint_after(FRAME_TIME);
        }
        let wishes = self.show_panel(ui);
        let tasks = self.desk.frame(ui);
        self.desk.take_asked().into_iter().for_each(|wish| self.listen(wish));
        // Marker notes are for a host to take.
        let tasks = tasks.into_iter().filter(|t| !matches!(t, Task::LookAhead(_)));
        tasks.for_each(|task| self.choose(task));
        wishes.into_iter().for_each(|wish| self.follow(wish));
        self.print();
        self.follow_settings();
        if let Some(memory) = &self.memory
            && let Err(why) = memory.keep_up(&self.parts.project)
        {
            self.notices = vec![why];
        }
        ui.ctx().request_repaint_after(FRAME_TIME);
    }
}

fn delay_in_words(samples: i64, spread: f64, rate_hz: f64) -> String {
    format!("delay {:.1} \u{b1} {:.1} ms", samples as f64 / rate_hz * 1e3, spread / rate_hz * 1e3)
}
