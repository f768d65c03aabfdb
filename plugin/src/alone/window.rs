//! The standalone's window: the panel over the screen of the insert.

use super::arguments::Arguments;
use super::cards::{Card, Cards};
use super::controls::Controls;
use super::level::Level;
use super::listen::Listener;
use super::memory::{Delay, Memory, OwnSettings};
use super::panel::{self, PanelInput, PanelWish};
use super::round_trip::{NotFound, RoundTrip};
use super::sitting::{self, Sitting};
use super::sitting_panel::{self, SittingWish};
use super::sound::{Parts, Sound};
use crate::choices::OwnChoices;
use crate::desk::Desk;
use crate::framework;
use crate::kept_sound::KeptSound;
use crate::meters::Meters;
use crate::passes::PassId;
use crate::project::Project;
use crate::quiet::PassEnd;
use crate::take_file::TakeLoader;
use crate::tasks::Task;
use crate::timing::Judging;
use crate::view::listen::ListenWish;
use crate::view::theme::Theme;
use crate::words;
use egui::{Frame as Border, Margin, Panel};
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
    *choices.0.write() = settings.choices;
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

    fn look_for_cards(&mut self) {
        self.cards = Cards::now();
        let names = |cards: &[Card]| cards.iter().map(|c| c.name.clone()).collect::<Vec<_>>();
        self.names = (names(&self.cards.inputs), names(&self.cards.outputs));
    }

    /// Opens the input that was asked for, or else the one of the last time, or the first that can be opened.
    fn open_first(&mut self, asked: Option<usize>, last: Option<usize>) {
        let any_output = self.chosen.1.or((!self.cards.outputs.is_empty()).then_some(0));
        for place in
            last.into_iter().filter(|_| asked.is_none()).chain(asked.map_or(0..self.cards.inputs.len(), |i| i..i + 1))
        {
            if self.open(place, any_output) {
                return;
            }
        }
        if let Some(output) = any_output {
            self.open_output(output);
        }
    }

    /// An output alone, to listen to takes on.
    fn open_output(&mut self, output: usize) {
        self.close();
        let Some(card) = self.cards.outputs.get(output) else { return };
        match Sound::open_output(card, &self.parts) {
            Ok(mut sound) => {
                self.chosen.1 = Some(output);
                self.listener.play_on(sound.take_player());
                self.sound = Some(sound);
            }
            Err(why) => self.notices.push(why),
        }
    }

    /// Whatever is open is closed.
    fn close(&mut self) {
        self.listener.play_on(None);
        self.sound = None;
        self.chosen = (None, None);
    }

    fn open(&mut self, input: usize, output: Option<usize>) -> bool {
        self.notices.clear();
        self.close();
        let Some(card) = self.cards.inputs.get(input) else { return false };
        match Sound::open(card, output.and_then(|o| self.cards.outputs.get(o)), &self.parts) {
            Ok((mut sound, why)) => {
                self.listener.play_on(sound.take_player());
                self.chosen = (Some(input), output.filter(|_| sound.has_output()));
                self.notices.extend(why);
                self.sound = Some(sound);
                self.heard = (Instant::now(), 0);
                self.remember_round_trip();
                true
            }
            Err(why) => {
                self.notices.push(why);
                false
            }
        }
    }

    /// The delay that was measured on these devices before, if it was.
    fn remember_round_trip(&mut self) {
        self.forget_round_trip();
        let Some((input, output, rate_hz)) = self.devices() else { return };
        if let Some(delay) = self.settings.delay_on(&input, output.as_deref(), rate_hz) {
            let said = format!("{}, as measured before", delay_in_words(delay.samples, delay.spread, rate_hz));
            self.set_round_trip(delay.samples, said);
        }
    }

    /// The names of the open devices and the input's rate, Hz.
    fn devices(&self) -> Option<(String, Option<String>, f64)> {
        let (input, output) = self.chosen_names();
        Some((input?, output, self.sound.as_ref()?.rate_hz()))
    }

    /// The names of the chosen input and output.
    fn chosen_names(&self) -> (Option<String>, Option<String>) {
        let name = |place: Option<usize>, names: &[String]| place.and_then(|i| names.get(i)).cloned();
        (name(self.chosen.0, &self.names.0), name(self.chosen.1, &self.names.1))
    }

    fn forget_round_trip(&mut self) {
        self.set_round_trip(0, "delay not measured".into());
    }

    /// The delay in use, samples, and what the panel says of it.
    fn set_round_trip(&mut self, samples: i64, said: String) {
        self.parts.controls.round_trip.store(samples, Ordering::Relaxed);
        self.round_trip = said;
    }

    /// A stream has broken off: it is opened again, once within [`AGAIN_AFTER`]. What was played until then is kept.
    fn pick_up(&mut self) {
        let (input, output) = self.chosen_names();
        let (input, output) = (input.unwrap_or_default(), output.unwrap_or_default());
        let was_recording = self.parts.controls.recording.load(Ordering::Relaxed);
        self.close();
        self.forget_round_trip();
        self.look_for_cards();
        let place = |names: &[String], name: &str| names.iter().position(|n| n == name);
        let is_first = self.broke_at.replace(Instant::now()).is_none_or(|at| at.elapsed() > AGAIN_AFTER);
        let (again, out) = (place(&self.names.0, &input), place(&self.names.1, &output));
        let said = if again.is_some_and(|i| is_first && self.open(i, out)) {
            if was_recording {
                self.parts.controls.start();
            }
            format!(
                "The sound of {input} broke off for a moment: what was played until then is kept, what follows is a pass of its own."
            )
        } else {
            format!(
                "{input} is gone, or its sound broke off. What was played until then is kept: plug it in and look again."
            )
        };
        self.notices = vec![said];
    }

    /// What became of the streams since the last frame.
    fn look_after(&mut self) {
        if self.parts.controls.broken.swap(false, Ordering::AcqRel) && self.sound.is_some() {
            self.pick_up();
        }
        let Some(sound) = &mut self.sound else { return };
        if std::mem::take(&mut self.record_at_once) {
            self.parts.controls.start();
        }
        let clock = self.parts.meters.clock.load(Ordering::Relaxed);
        if clock != self.heard.1 {
            self.heard = (Instant::now(), clock);
        }
        if self.parts.controls.measuring.load(Ordering::Relaxed)
            && let Some(measured) = sound.measured()
        {
            self.take_round_trip(measured);
        }
        let channel = self.parts.controls.channel.load(Ordering::Relaxed);
        self.level.take(self.parts.controls.take_peak(channel), Instant::now());
    }

    /// The delay was measured, or could not be.
    fn take_round_trip(&mut self, measured: Result<RoundTrip, NotFound>) {
        match (measured, self.devices()) {
            (Ok(found), Some((input, output, rate_hz))) => {
                self.set_round_trip(found.samples, delay_in_words(found.samples, found.spread, rate_hz));
                let devices = (input, output.unwrap_or_default());
                self.settings.delay = Some(Delay { devices, rate_hz, samples: found.samples, spread: found.spread });
            }
            (Err(why), _) => self.set_round_trip(0, why.to_string()),
            (Ok(_), None) => self.forget_round_trip(),
        }
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

    /// Plays what is asked for, unless a pass is taken: it would be heard in it.
    fn listen(&mut self, wish: ListenWish) {
        let is_recording = self.parts.controls.recording.load(Ordering::Relaxed);
        let said = match wish {
            ListenWish::Stop => {
                self.listener.stop();
                Ok(())
            }
            ListenWish::Hear(_) | ListenWish::Blind(_) if is_recording => {
                Err("Stop recording first: what you listen to would be recorded.".into())
            }
            ListenWish::Hear(stretch) => self.listener.hear(stretch),
            ListenWish::Blind(pass) => return self.begin_sitting(Some(pass)),
        };
        self.desk.listening().trouble = said.err().unwrap_or_default();
    }

    /// Begins a blind sitting with the fronts of a pass, and of others where those are few.
    fn begin_sitting(&mut self, pass: Option<PassId>) {
        self.listener.stop();
        self.notices.clear();
        let session = self.parts.project.session.clone();
        let begun = match pass {
            Some(pass) => self.listener.is_at_hand(pass).and_then(|is_at_hand| match is_at_hand {
                true => Sitting::begin(&session.lock(), pass, &self.parts.kept_sound, sitting::seed()),
                false => Err("The sound is being read: begin again in a moment.".into()),
            }),
            None => Err("There is nothing to listen to yet: record or open a take first.".into()),
        };
        match begun {
            Ok(sitting) => {
                self.sitting = Some(sitting);
                self.hear_asked();
            }
            Err(why) => self.notices.push(why),
        }
    }

    /// Plays the front that is asked about.
    fn hear_asked(&mut self) {
        let Some(stretch) = self.sitting.as_ref().and_then(Sitting::stretch) else { return };
        if let (Err(why), Some(sitting)) = (self.listener.hear(stretch), &mut self.sitting) {
            sitting.trouble = why;
        }
    }

    fn show_sitting(&mut self, ui: &mut egui::Ui) {
        let looks = self.desk.looks();
        let theme = Theme::of(looks.colours);
        let border = Border::new().fill(theme.paper).inner_margin(Margin::symmetric(24, 20));
        let Some(sitting) = &mut self.sitting else { return };
        let shown = egui::CentralPanel::default().frame(border);
        let wish = shown.show(ui, |ui| sitting_panel::show(ui, sitting, &theme, looks.text_scale)).inner;
        let judging = self.parts.project.judging();
        match wish {
            Some(SittingWish::Again) => self.hear_asked(),
            Some(SittingWish::Answer(answer)) => {
                if sitting.answer(answer) {
                    self.listener.stop();
                    self.keep_answers(&judging);
                } else {
                    self.hear_asked();
                }
            }
            Some(SittingWish::TakeBack) => {
                let passes = sitting.take_back(&mut self.parts.project.session.lock(), &judging);
                passes.into_iter().for_each(|pass| self.desk.keep_beside(pass));
            }
            Some(SittingWish::Leave) => {
                self.listener.stop();
                self.sitting = None;
            }
            None => {}
        }
    }

    /// The answers of a sitting become corrections, also beside the takes.
    fn keep_answers(&mut self, judging: &Judging) {
        let Some(sitting) = &mut self.sitting else { return };
        let passes = sitting.keep(&mut self.parts.project.session.lock(), judging);
        passes.into_iter().for_each(|pass| self.desk.keep_beside(pass));
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
        tasks.for_each(|task| task.follow(&mut self.choices.0.write()));
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
