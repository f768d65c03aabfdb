//! What stands over the screen in the standalone: device, channel and level, recording, count-in, round trip, and the last
//! entrance, large.

use super::click::{BEATS_RANGE, Beats, TEMPO_RANGE};
use super::level::FLOOR_DB;
use crate::quiet::GAP_RANGE_S;
use crate::view::theme::Theme;
use crate::words;
use egui::{ComboBox, DragValue, RichText, Slider, Ui, vec2};
use notefront_dsp::Entrance;
use notefront_takes::words::{because, word, worst_first};

/// Size of the last entrance's note and word, points at normal text size: read from a stand two metres away.
const LARGE_PT: f32 = 44.0;
/// Width of the level, pixels.
const LEVEL_PX: f32 = 170.0;
/// A level over this is loud enough to clip with the next accent, dB re full scale \[P\].
const NEARLY_FULL_DB: f32 = -3.0;

/// What it shows.
pub struct PanelInput<'a> {
    /// Names of the inputs.
    pub inputs: &'a [String],
    /// Names of the outputs.
    pub outputs: &'a [String],
    /// The open input.
    pub input: Option<usize>,
    /// The open output.
    pub output: Option<usize>,
    /// Channels of the open input, and the one that is heard, from 0.
    pub channels: (usize, usize),
    /// Level of that channel now and the highest of late, dB re full scale.
    pub level_db: (f32, f32),
    /// Passes are taken.
    pub recording: bool,
    /// To a count-in and click.
    pub with_beats: bool,
    /// Those.
    pub beats: Beats,
    /// Silence that ends a pass, seconds.
    pub gap_s: f64,
    /// The round trip, in words.
    pub round_trip: &'a str,
    /// What the player should know.
    pub notices: &'a [String],
    /// The last entrance of the pass under way, or of the last one.
    pub last: Option<&'a Entrance>,
    /// Where it stands, in words.
    pub place: &'a str,
}

/// What the player wants.
#[derive(Debug, Clone, PartialEq)]
pub enum PanelWish {
    /// Another input, by its place in the list.
    Input(usize),
    /// Another output, or none.
    Output(Option<usize>),
    /// Look again for devices.
    LookAgain,
    /// Another channel, from 0.
    Channel(usize),
    /// Begin or stop to take passes.
    Record(bool),
    /// With a count-in and click or without.
    WithBeats(bool),
    /// Other beats.
    Beats(Beats),
    /// Another silence, seconds.
    Gap(f64),
    /// Measure the round trip.
    Measure,
    /// Load the take file of this path.
    Take(String),
    /// Look for a take in the folders.
    FindTake,
    /// A blind sitting.
    Blind,
}

/// Draws the panel. `path` holds what is typed for a take file.
pub fn show(ui: &mut Ui, input: &PanelInput<'_>, path: &mut String, theme: &Theme, text_scale: f32) -> Vec<PanelWish> {
    let mut wishes = Vec::new();
    ui.horizontal_wrapped(|ui| devices(ui, input, theme, &mut wishes));
    ui.horizontal_wrapped(|ui| recording(ui, input, theme, &mut wishes));
    if input.input.is_none() {
        ui.label(RichText::new("No input to listen to.").heading().strong());
        let advice = "Plug in a microphone or an interface and look again, or open a take that was recorded elsewhere:";
        ui.label(advice);
        ui.horizontal_wrapped(|ui| {
            let field = egui::TextEdit::singleline(path).desired_width(360.0).hint_text("path of a sound file");
            let entered = ui.add(field).lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
            if ui.button("open the take").clicked() || entered {
                wishes.push(PanelWish::Take(path.trim().to_owned()));
            }
        });
    }
    for notice in input.notices {
        ui.label(RichText::new(notice).color(theme.warm));
    }
    if let Some(last) = input.last {
        ui.separator();
        live(ui, last, input.place, theme, text_scale);
    }
    wishes
}

fn devices(ui: &mut Ui, input: &PanelInput<'_>, theme: &Theme, wishes: &mut Vec<PanelWish>) {
    choose(ui, "input", input.inputs, input.input, None, |i| wishes.extend(i.map(PanelWish::Input)));
    let (num, chosen) = input.channels;
    if num > 1 {
        let names: Vec<String> = (1..=num).map(|c| format!("channel {c}")).collect();
        choose(ui, "channel", &names, Some(chosen), None, |c| wishes.extend(c.map(PanelWish::Channel)));
    }
    if input.input.is_some() {
        level(ui, input.level_db, theme);
    }
    choose(ui, "output", input.outputs, input.output, Some("none"), |o| wishes.push(PanelWish::Output(o)));
    if ui.button("look again").on_hover_text("Look again for devices").clicked() {
        wishes.push(PanelWish::LookAgain);
    }
    if ui.button("find a take").on_hover_text("Open a take that was recorded elsewhere").clicked() {
        wishes.push(PanelWish::FindTake);
    }
    let why = "Fronts in random order, without verdict or picture; then how far your ear and the tool agree (B)";
    if ui.add_enabled(!input.recording, egui::Button::new("listen blind")).on_hover_text(why).clicked() {
        wishes.push(PanelWish::Blind);
    }
}

fn choose(
    ui: &mut Ui,
    label: &str,
    names: &[String],
    chosen: Option<usize>,
    none: Option<&str>,
    mut send: impl FnMut(Option<usize>),
) {
    let current = chosen.and_then(|i| names.get(i)).map_or("none", String::as_str);
    let spoken = format!("{label}: {current}");
    ui.label(label);
    let width = if label == "channel" { 80.0 } else { 180.0 };
    let combo = ComboBox::from_id_salt(label).width(width).truncate().selected_text(current).show_ui(ui, |ui| {
        if let Some(none) = none
            && ui.selectable_label(chosen.is_none(), none).clicked()
        {
            send(None);
        }
        for (i, name) in names.iter().enumerate() {
            if ui.selectable_label(chosen == Some(i), name).clicked() {
                send(Some(i));
            }
        }
    });
    combo.response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &spoken));
}

fn level(ui: &mut Ui, (now_db, held_db): (f32, f32), theme: &Theme) {
    let (rect, response) = ui.allocate_exact_size(vec2(LEVEL_PX, 14.0), egui::Sense::hover());
    let x = |db: f32| rect.left() + rect.width() * ((db - FLOOR_DB) / -FLOOR_DB).clamp(0.0, 1.0);
    let painter = ui.painter();
    painter.rect_filled(rect, 2.0, theme.faint);
    let colour = if held_db >= NEARLY_FULL_DB { theme.warm } else { theme.select };
    painter.rect_filled(rect.with_max_x(x(now_db)), 2.0, colour);
    painter.vline(x(held_db), rect.y_range(), (2.0, theme.ink));
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ProgressIndicator, true, "level"));
    let told = if held_db <= FLOOR_DB { "silent".to_owned() } else { words::signed(f64::from(held_db), 0, "dB") };
    ui.label(told);
}

fn recording(ui: &mut Ui, input: &PanelInput<'_>, theme: &Theme, wishes: &mut Vec<PanelWish>) {
    let (name, ink) = if input.recording { ("stop", theme.warm) } else { ("record", theme.ink) };
    let button = egui::Button::new(RichText::new(name).strong().color(ink)).min_size(vec2(70.0, 0.0));
    if ui.add_enabled(input.input.is_some(), button).clicked() {
        wishes.push(PanelWish::Record(!input.recording));
    }
    let mut gap = input.gap_s;
    ui.label("a pass ends after");
    let slider = Slider::new(&mut gap, GAP_RANGE_S.0..=GAP_RANGE_S.1).step_by(0.5).suffix(" s");
    if ui.add(slider).on_hover_text("Silence that ends a pass; the next sound begins another").changed() {
        wishes.push(PanelWish::Gap(gap));
    }
    ui.label("of silence");
    ui.separator();
    ui.add_enabled_ui(input.output.is_some() && !input.recording, |ui| {
        ui.horizontal_wrapped(|ui| beats(ui, input, wishes));
    });
}

fn beats(ui: &mut Ui, input: &PanelInput<'_>, wishes: &mut Vec<PanelWish>) {
    let mut with_beats = input.with_beats;
    if ui.checkbox(&mut with_beats, "count in").on_hover_text("Clicks, and timing against them").changed() {
        wishes.push(PanelWish::WithBeats(with_beats));
    }
    let mut set = input.beats;
    let tempo = DragValue::new(&mut set.tempo_bpm).range(TEMPO_RANGE.0..=TEMPO_RANGE.1).speed(0.5).suffix(" a minute");
    ui.add(tempo);
    ui.add(DragValue::new(&mut set.per_bar).range(BEATS_RANGE.0..=BEATS_RANGE.1).speed(0.05).suffix(" beats a bar"));
    ui.add(DragValue::new(&mut set.count_in_bars).range(1..=4).speed(0.05).prefix("bars ahead: "));
    ui.checkbox(&mut set.goes_on, "click on");
    if set != input.beats {
        wishes.push(PanelWish::Beats(set));
    }
    let why = "Plays test sounds and finds them again in the input: how late your sound comes in";
    if ui.button("measure the delay").on_hover_text(why).clicked() {
        wishes.push(PanelWish::Measure);
    }
    ui.add(egui::Label::new(input.round_trip).extend());
}

/// The last entrance: its note and its word large, what was measured beside them.
fn live(ui: &mut Ui, last: &Entrance, place: &str, theme: &Theme, text_scale: f32) {
    let faults = worst_first(last);
    let (said, ink) = match faults.first() {
        Some(fault) => (word(fault.name), theme.warm),
        None => ("clear", theme.ink),
    };
    let large = |text: &str| RichText::new(text).size(LARGE_PT * text_scale).strong();
    ui.horizontal(|ui| {
        ui.label(large(&words::note(last)));
        ui.label(large(said).color(ink));
        ui.vertical(|ui| {
            ui.label(format!("clarity {:.0} of 100 \u{b7} {place}", last.verdict.clarity));
            for fault in &faults {
                ui.label(because(last, fault.name));
            }
        });
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use crate::looks::Colours;
    use egui_kittest::Harness;
    use egui_kittest::kittest::Queryable;
    use notefront_dsp::FaultName;

    const BEATS: Beats = Beats { tempo_bpm: 72.0, per_bar: 4, count_in_bars: 1, goes_on: true };

    fn panel(last: Option<Entrance>, has_input: bool) -> Harness<'static, Vec<PanelWish>> {
        let names = ["card one".to_owned(), "card two".to_owned()];
        let mut path = "take.wav".to_owned();
        Harness::builder().with_size(vec2(1000.0, 400.0)).build_ui_state(
            move |ui, wishes: &mut Vec<PanelWish>| {
                let input = PanelInput {
                    inputs: &names,
                    outputs: &names,
                    input: has_input.then_some(0),
                    output: Some(1),
                    channels: (2, 1),
                    level_db: (-20.0, -12.0),
                    recording: false,
                    with_beats: false,
                    beats: BEATS,
                    gap_s: 8.0,
                    round_trip: "not measured",
                    notices: &[],
                    last: last.as_ref(),
                    place: "at 0:01",
                };
                wishes.extend(show(ui, &input, &mut path, &Theme::of(Colours::Light), 1.0));
            },
            Vec::new(),
        )
    }

    #[test]
    fn the_last_entrance_stands_with_its_word() {
        let clear = fixture::clear(0, 1.0, 46);
        let split = fixture::with_fault(clear, FaultName::Split, 0.5);
        for (entrance, said) in [(clear, "clear"), (split, word(FaultName::Split))] {
            let panel = panel(Some(entrance), true);
            panel.get_by_label("Bb2");
            panel.get_by_label(said);
        }
    }

    #[test]
    fn record_asks_to_record_and_measure_to_measure() {
        let mut panel = panel(None, true);
        panel.get_by_label("record").click();
        panel.run();
        panel.get_by_label("measure the delay").click();
        panel.run();
        assert_eq!(panel.state(), &[PanelWish::Record(true), PanelWish::Measure]);
    }

    #[test]
    fn without_an_input_a_take_file_is_offered() {
        let mut panel = panel(None, false);
        panel.get_by_label("No input to listen to.");
        panel.get_by_label("record").click();
        panel.run();
        panel.get_by_label("open the take").click();
        panel.run();
        assert_eq!(panel.state(), &[PanelWish::Take("take.wav".into())], "nothing to record from");
    }
}
