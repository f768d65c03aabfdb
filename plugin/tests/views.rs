//! The window without a display: what it says (labels, as a screen reader gets them), what its buttons and keys do,
//! and what it paints. A letter that the fonts lack, or a widget without a name, fails every test here.
#![allow(missing_docs)]

use egui::{Event, FullOutput, Key, Modifiers, OutputCommand, Pos2, RawInput, Rect, Shape, Vec2, pos2, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use notefront::choices::GridChoice;
use notefront::fixture;
use notefront::looks::{Colours, Looks};
use notefront::passes::Pass;
use notefront::tasks::Task;
use notefront::view::header::View;
use notefront::view::listen::ListenWish;
use notefront::whole_window::WholeWindow;
use notefront_dsp::FaultName;
use notefront_takes::words;
use std::sync::atomic::Ordering;

#[derive(Default)]
struct Window {
    whole: WholeWindow,
    tasks: Vec<Task>,
    copied: Vec<String>,
    asked: Vec<ListenWish>,
}

impl Window {
    fn with(passes: Vec<Pass>) -> Self {
        Self { whole: WholeWindow::with(passes), ..Self::default() }
    }

    fn frame(&mut self, ui: &mut egui::Ui) {
        let output = self.whole.frame(ui);
        self.tasks.extend(output.tasks);
        self.asked.extend(output.listen);
        let copied = |c: &OutputCommand| if let OutputCommand::CopyText(text) = c { Some(text.clone()) } else { None };
        self.copied.extend(ui.ctx().output(|o| o.commands.iter().find_map(copied)));
    }

    fn open(self, size: Vec2) -> Harness<'static, Self> {
        let mut harness = Harness::builder()
            .with_size(size)
            .with_accessibility_check(true)
            .build_ui_state(|ui, window: &mut Self| window.frame(ui), self);
        harness.run();
        harness
    }
}

const SIZE: Vec2 = vec2(1000.0, 640.0);

fn showcase() -> Harness<'static, Window> {
    Window::with(vec![fixture::showcase(0)]).open(SIZE)
}

fn press(harness: &mut Harness<'_, Window>, key: Key) {
    harness.key_press(key);
    harness.run();
}

#[test]
fn every_state_says_what_to_do() {
    let live = |duration_s: f64| Pass { live: true, duration_s, ..fixture::pass_at_60(&[]) };
    let open = |passes: Vec<Pass>, clock: u64| {
        let window = Window::with(passes);
        window.whole.meters.clock.store(clock, Ordering::Relaxed);
        window.open(SIZE)
    };
    open(vec![], 0).get_by_label("No sound has arrived yet");
    open(vec![], 0).get_by_label_contains("Put Notefront on the recorded track");
    open(vec![], 64).get_by_label("Waiting for playback");
    open(vec![live(1.0)], 64).get_by_label("Listening");
    // An earlier pass does not hide that the running one is too quiet.
    open(vec![fixture::showcase(0), live(9.0)], 64).get_by_label("The input is very quiet");
    let clipped = Pass { clipped_at_s: vec![1.0], ..fixture::showcase(0) };
    open(vec![clipped], 64).get_by_label_contains("Lower the recording level");
    let mut lost = Window::with(vec![fixture::showcase(0)]);
    lost.whole.session.notices.push("Something was lost.".into());
    lost.open(SIZE).get_by_label("Something was lost.");
}

#[test]
fn the_lane_is_told_and_the_strip_filters_it() {
    let mut harness = showcase();
    harness.get_by_label("pass 1, from bar 1: 16 entrances, 12 flagged");
    harness.get_by_label("4 of 16 clear");
    harness.get_by_label("split 1").click();
    harness.run();
    harness.get_by_label("pass 1, from bar 1: 16 entrances, 11 flagged");
    harness.get_by_label("show all").click();
    harness.run();
    harness.get_by_label("pass 1, from bar 1: 16 entrances, 12 flagged");
}

#[test]
fn arrows_step_from_flag_to_flag_and_the_closeup_tells_the_fault() {
    let mut harness = showcase();
    press(&mut harness, Key::ArrowRight);
    // The second entrance is the first flagged one; the close-up names it, its fault and where to play from.
    harness.get_by_label_contains("B2 \u{b7} bar 1, beat 2.0");
    harness.get_by_label_contains("air for ");
    harness.get_by_label("To hear it, play from bar 1, beat 1.7 (0:00.704 of the session)");
    press(&mut harness, Key::ArrowRight);
    harness.get_by_label_contains("C3 \u{b7} bar 1, beat 3.0");
    press(&mut harness, Key::Escape);
    assert!(harness.query_by_label_contains("C3 \u{b7} bar 1").is_none());
}

#[test]
fn what_is_fine_as_it_is_loses_its_flags_and_gets_them_back() {
    let mut harness = showcase();
    press(&mut harness, Key::ArrowRight);
    let flagged = |harness: &Harness<'_, Window>| harness.state().whole.session.passes()[0].num_flagged();
    let before = flagged(&harness);
    harness.get_by_label("fine as it is").click();
    harness.run();
    assert_eq!(flagged(&harness), before - 1);
    harness.get_by_label_contains("You say: fine as it is; measured: ");
    harness.get_by_label("take it back");
    press(&mut harness, Key::D);
    assert_eq!(flagged(&harness), before);
}

/// What can be seen of the pass on show: times in ms, notes, flags.
fn entrances(harness: &Harness<'_, Window>) -> Vec<(i64, Option<u8>, bool)> {
    let pass = &harness.state().whole.session.passes()[0];
    let ms = |s: f64| (1e3 * s).round() as i64;
    let told = |i: usize| (ms(pass.entrances[i].front.speaks_s), pass.entrances[i].front.midi_note, pass.is_flagged(i));
    (0..pass.entrances.len()).map(told).collect()
}

#[test]
fn everything_that_can_be_said_is_said_by_keys_and_taken_back_by_one() {
    let mut harness = showcase();
    press(&mut harness, Key::S);
    press(&mut harness, Key::S);
    let first = entrances(&harness);
    press(&mut harness, Key::ArrowRight);
    // The second entrance speaks at 2.004 s.
    for _ in 0..3 {
        press(&mut harness, Key::Period);
    }
    press(&mut harness, Key::T);
    assert_eq!(entrances(&harness)[1].0, first[1].0 + 30);
    press(&mut harness, Key::Delete);
    assert_eq!(entrances(&harness).len(), first.len() - 1);
    press(&mut harness, Key::ArrowRight);
    press(&mut harness, Key::J);
    assert_eq!(entrances(&harness).len(), first.len() - 2);
    for _ in 0..4 {
        harness.key_press_modifiers(Modifiers::SHIFT, Key::Period);
        harness.run();
    }
    press(&mut harness, Key::Num2);
    press(&mut harness, Key::U);
    let by_ear = harness.state().whole.session.passes()[0].num_flagged();
    for _ in 0..3 {
        harness.key_press_modifiers(Modifiers::SHIFT, Key::Comma);
        harness.run();
    }
    press(&mut harness, Key::A);
    assert_eq!(entrances(&harness).len(), first.len());
    assert!(by_ear > 0 && harness.state().whole.session.passes()[0].said().len() == 6);
    for _ in 0..6 {
        press(&mut harness, Key::Z);
    }
    assert_eq!(entrances(&harness), first);
    press(&mut harness, Key::Z);
    assert_eq!(entrances(&harness), first, "nothing more to take back");
}

#[test]
fn the_panel_says_what_the_page_says_and_where_it_is_kept() {
    let mut harness = showcase();
    press(&mut harness, Key::ArrowRight);
    press(&mut harness, Key::E);
    let page = ["fine as it is", "unclear after all", "missed one here", "it speaks here", "a second one here"];
    for label in page.into_iter().chain(["no entrance", "one with the note before", "is the note"]) {
        harness.get_by_label(label);
    }
    harness.get_by_label("Kept with the pass, in the host's project.");
    harness.get_by_label("it speaks here").click();
    harness.run();
    harness.get_by_label_contains("Move \u{201c}here\u{201d} first");
    harness.get_by_label("is the note").click();
    harness.run();
    harness.get_by_label("Write the note first, such as Bb2.");
    harness.get_by_label("no entrance").click();
    harness.run();
    harness.get_by_label("You said one thing of this pass:");
    harness.get_by_label_contains("take back: 0:0").click();
    harness.run();
    harness.get_by_label("You said nothing of this pass yet.");
}

#[test]
fn the_place_to_play_from_goes_to_the_clipboard() {
    let mut harness = showcase();
    press(&mut harness, Key::ArrowRight);
    press(&mut harness, Key::H);
    assert_eq!(harness.state().copied, ["bar 1, beat 1.7 (0:00.704 of the session)"]);
}

#[test]
fn a_setting_becomes_a_task_and_changes_no_parameter_here() {
    let mut harness = showcase();
    press(&mut harness, Key::S);
    harness.get_by_label("marker notes (delays the sound by 1 s)").click();
    harness.run();
    harness.get_by_label("grid").click();
    harness.run();
    harness.get_by_label("Thirds").click();
    harness.run();
    let window = harness.state();
    // The host's thread sets them; this one only asks.
    assert_eq!(window.tasks, [Task::LookAhead(true), Task::Grid(GridChoice::Thirds)]);
    assert!(!window.whole.choices.look_ahead);
    assert_eq!(window.whole.choices.grid, GridChoice::Beat);
}

#[test]
fn without_a_host_nothing_that_only_a_host_can_use_is_offered() {
    let mut window = Window::with(vec![fixture::showcase(0)]);
    window.whole.screen.alone = true;
    let mut harness = window.open(SIZE);
    press(&mut harness, Key::ArrowRight);
    assert!(harness.query_by_label_contains("To hear it, play from").is_none());
    press(&mut harness, Key::S);
    harness.get_by_label("always judge by the click");
    for label in ["marker notes", "listen while stopped", "host"] {
        assert!(harness.query_by_label_contains(label).is_none(), "{label}");
    }
}

#[test]
fn without_a_host_the_window_asks_to_hear_fronts_slowly_in_a_loop_and_against_each_other() {
    let mut window = Window::with(vec![fixture::showcase(1), fixture::showcase(0)]);
    window.whole.screen.alone = true;
    let mut harness = window.open(SIZE);
    press(&mut harness, Key::ArrowRight);
    press(&mut harness, Key::V);
    press(&mut harness, Key::V);
    press(&mut harness, Key::L);
    harness.get_by_label("play").click();
    harness.run();
    let ListenWish::Hear(first) = harness.state().asked.last().cloned().expect("asked") else { panic!("to hear") };
    // The entrance speaks at 1.004 s.
    assert!(first.pass == 2 && (first.span_s.0 - 0.704).abs() < 1e-9 && first.is_looped, "{first:?}");
    assert_eq!(first.speed.value(), 0.5);
    // It sounds, and is 0.1 s into the entrance: the other goes on there.
    harness.state_mut().whole.screen.listening.playing = Some((2, 1.104));
    press(&mut harness, Key::X);
    let ListenWish::Hear(other) = harness.state().asked.last().cloned().expect("asked") else { panic!("to hear") };
    let own_s = harness.state().whole.session.passes()[0].entrances[1].front.speaks_s;
    assert!(other.pass == 1 && (other.span_s.0 - own_s - 0.1).abs() < 1e-9 && other.beside == [2, 1], "{other:?}");
    press(&mut harness, Key::Space);
    press(&mut harness, Key::B);
    assert_eq!(harness.state().asked[2..], [ListenWish::Stop, ListenWish::Blind(2)]);
    // In a host the same keys ask for nothing.
    let mut harness = showcase();
    press(&mut harness, Key::ArrowRight);
    press(&mut harness, Key::Space);
    assert!(harness.state().asked.is_empty());
}

#[test]
fn patterns_are_told_with_their_intervals() {
    let mut harness = Window::with(vec![fixture::mixed_pass(60, 5)]).open(SIZE);
    press(&mut harness, Key::P);
    // 60 tongued entrances; the interval is Wilson's, tested where it is computed.
    harness.get_by_label_contains("tongued: ");
    harness.get_by_label_contains("60 entrances.");
    press(&mut harness, Key::P);
    harness.get_by_label_contains("pass 1, from bar 1: 60 entrances");
}

#[test]
fn comparing_names_both_passes_and_who_is_clearer() {
    let mut harness = Window::with(vec![fixture::showcase(1), fixture::showcase(0)]).open(SIZE);
    press(&mut harness, Key::C);
    harness.get_by_label_contains("pass 1, from bar 1 against pass 2, from bar 1: clearer above: ");
}

#[test]
fn a_pass_can_be_named_kept_pinned_and_forgotten() {
    let mut harness = showcase();
    press(&mut harness, Key::K);
    press(&mut harness, Key::R);
    assert!(harness.state().whole.session.passes()[0].kept);
    assert_eq!(harness.state().whole.session.reference, Some(1));
    harness.get_by_label("name").click();
    harness.run_steps(3);
    harness.event(Event::Text("slow one".into()));
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    harness.run();
    assert_eq!(harness.state().whole.session.passes()[0].name.as_deref(), Some("slow one"));
    harness.get_by_label("forget").click();
    harness.run();
    assert!(harness.state().whole.session.passes().is_empty());
}

/// Text that is painted: where, and what.
fn texts(output: &FullOutput) -> Vec<(Rect, String)> {
    fn collect(shape: &Shape, clip: Rect, into: &mut Vec<(Rect, String)>) {
        match shape {
            Shape::Vec(shapes) => shapes.iter().for_each(|s| collect(s, clip, into)),
            Shape::Text(text) => {
                for row in &text.galley.rows {
                    let rect = row.rect().translate(text.pos.to_vec2());
                    // What is scrolled out of a panel is not painted.
                    if clip.contains_rect(rect.shrink(2.0)) && rect.width() > 0.0 {
                        into.push((rect, row.text()));
                    }
                }
            }
            _ => {}
        }
    }
    let mut found = Vec::new();
    output.shapes.iter().for_each(|s| collect(&s.shape, s.clip_rect, &mut found));
    found
}

#[test]
fn every_frame_shows_every_fault_the_strip_counts_the_first_one_too() {
    let context = egui::Context::default();
    let mut window = Window::with(vec![fixture::showcase(0)]);
    for size in [SIZE, vec2(640.0, 520.0), vec2(1400.0, 800.0), SIZE] {
        let screen_rect = Some(Rect::from_min_size(Pos2::ZERO, size));
        let mut output = context.run_ui(RawInput { screen_rect, ..RawInput::default() }, |ui| window.frame(ui));
        output.textures_delta.clear();
        let texts = texts(&output);
        for fault in FaultName::ALL.map(words::word) {
            let is_count = |text: &str| text.strip_prefix(fault).is_some_and(|n| n.trim().parse::<u32>().is_ok());
            assert!(texts.iter().any(|(_, text)| is_count(text)), "{size:?}: {fault} is cut off");
        }
    }
}

#[test]
fn no_two_texts_overlap_at_any_size() {
    for view in [View::Lane, View::Compare, View::Patterns] {
        for (size, text_scale) in [(SIZE, 1.0), (vec2(1600.0, 900.0), 1.0), (vec2(640.0, 480.0), 1.0), (SIZE, 1.5)] {
            let mut window = Window::with(vec![fixture::showcase(1), fixture::showcase(0)]);
            window.whole.looks = Looks { text_scale, colours: Colours::Dark, ..Looks::default() };
            window.whole.screen.open(view, false, false);
            window.whole.screen.select(Some(14));
            let harness = window.open(size);
            let texts = texts(harness.output());
            assert!(texts.len() > 20, "{view:?}: there is text");
            for (i, (a, first)) in texts.iter().enumerate() {
                for (b, second) in &texts[i + 1..] {
                    // A galley is a little larger than its ink: 3 pixels on each side.
                    let is_apart = !a.shrink(3.0).intersects(b.shrink(3.0));
                    assert!(is_apart, "{view:?} {size:?} x {text_scale}: {first:?} {a:?} and {second:?} {b:?}");
                }
            }
        }
    }
}

/// Ends of every line thicker than 2 pixels in the ink colour: the strokes of a lane.
fn strokes(harness: &Harness<'_, Window>) -> Vec<[Pos2; 2]> {
    let ink = notefront::view::theme::Theme::of(Colours::Light).ink;
    let segment = |shape: &Shape| match shape {
        Shape::LineSegment { points, stroke } if stroke.width > 2.0 && stroke.color == ink => Some(*points),
        _ => None,
    };
    harness.output().shapes.iter().filter_map(|s| segment(&s.shape)).collect()
}

#[test]
fn clear_attacks_are_plain_upright_strokes_at_their_place() {
    let harness = Window::with(vec![fixture::pass_at_60(&[1.0, 2.0, 4.0])]).open(SIZE);
    let strokes = strokes(&harness);
    assert_eq!(strokes.len(), 3);
    assert!(strokes.iter().all(|[a, b]| a.x == b.x && (a.y - b.y).abs() > 40.0));
    let x: Vec<f32> = strokes.iter().map(|s| s[0].x).collect();
    // Twice the time is twice the way.
    assert!(((x[2] - x[1]) - 2.0 * (x[1] - x[0])).abs() < 0.1, "{x:?}");
}

#[test]
fn a_click_on_a_stroke_selects_it() {
    let mut harness = showcase();
    // Stroke 1, the airy one, is the second plain line from the left.
    let mut strokes = strokes(&harness);
    strokes.sort_by(|a, b| a[0].x.total_cmp(&b[0].x));
    let at = pos2(strokes[1][0].x + 3.0, strokes[1][0].y - 30.0);
    harness.hover_at(at);
    harness.run();
    harness.drag_at(at);
    harness.run_steps(1);
    harness.drop_at(at);
    harness.run();
    harness.get_by_label_contains("B2 \u{b7} bar 1, beat 2.0");
}

#[test]
fn a_missed_entrance_is_placed_by_a_click_on_the_lane() {
    let mut harness = showcase();
    let mut strokes = strokes(&harness);
    strokes.sort_by(|a, b| a[0].x.total_cmp(&b[0].x));
    let first = entrances(&harness);
    press(&mut harness, Key::A);
    harness.get_by_label_contains("Click on the lane where an entrance was missed");
    // Half way between the first two strokes, which stand a second apart; opening the panel has moved the base line.
    let at = pos2((strokes[0][0].x + strokes[1][0].x) / 2.0, 150.0);
    harness.hover_at(at);
    harness.run();
    harness.drag_at(at);
    harness.run_steps(1);
    harness.drop_at(at);
    harness.run();
    harness.get_by_label_contains("here: 0:00.5");
    press(&mut harness, Key::A);
    let now = entrances(&harness);
    assert_eq!(now.len(), first.len() + 1);
    assert!((now[1].0 - 504).abs() < 30, "{} ms", now[1].0);
    press(&mut harness, Key::A);
    assert_eq!(entrances(&harness).len(), now.len(), "not twice");
    press(&mut harness, Key::Escape);
    press(&mut harness, Key::E);
    harness.get_by_label_contains("entrances are unclear");
}

#[test]
fn ten_thousand_entrances_are_counts_that_add_up() {
    let pass = fixture::mixed_pass(10_000, 5);
    let flagged = pass.num_flagged();
    let harness = Window::with(vec![pass]).open(SIZE);
    let counts = texts(harness.output()).into_iter().filter_map(|(_, text)| {
        let (flagged, all) = text.split_once('/')?;
        Some((flagged.parse::<usize>().ok()?, all.parse::<usize>().ok()?))
    });
    let (num_flagged, num) = counts.fold((0, 0), |(f, n), (a, b)| (f + a, n + b));
    assert_eq!((num_flagged, num), (flagged, 10_000));
}

#[test]
fn the_editor_never_sets_a_parameter_itself() {
    // A VST3 editor on Linux runs on a thread of its own, and a host called from there may crash. Only
    // `framework/runner.rs`, which the host's thread runs, may name what sets parameters.
    let src = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = vec![src.join("desk.rs"), src.join("framework/editor.rs")];
    let mut folders = vec![src.join("view")];
    while let Some(folder) = folders.pop() {
        for path in std::fs::read_dir(folder).expect("the views").flatten().map(|e| e.path()) {
            if path.is_dir() { folders.push(path) } else { files.push(path) }
        }
    }
    assert!(files.len() > 15, "all views are looked at");
    for file in files {
        let text = std::fs::read_to_string(&file).expect("a source file");
        for setter in ["ParamSetter", "param_setter", "set_parameter", "set_plain_value", "set_normalized_value"] {
            assert!(!text.contains(setter), "{} names {setter}", file.display());
        }
    }
}
