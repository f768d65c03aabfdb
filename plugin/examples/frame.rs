//! What a frame of the window costs without a display: layout, shapes and their triangles.
//! `cargo run --release -p notefront --features fixture --example frame`.

use egui::{Context, Event, Key, Modifiers, RawInput, Rect, pos2, vec2};
use notefront::fixture;
use notefront::view::header::View;
use notefront::whole_window::WholeWindow;
use std::time::{Duration, Instant};

/// Entrances of the pass, and frames measured after those that lay everything out for the first time.
const NUM_ENTRANCES: usize = 10_000;
const NUM_FRAMES: usize = 300;

struct Bench {
    whole: WholeWindow,
    context: Context,
}

impl Bench {
    fn new(view: View) -> Self {
        let passes = vec![fixture::mixed_pass(NUM_ENTRANCES, 5), fixture::mixed_pass(NUM_ENTRANCES, 6)];
        let mut whole = WholeWindow::with(passes);
        whole.screen.open(view, false, false);
        Self { whole, context: Context::default() }
    }

    fn frame(&mut self, events: Vec<Event>) -> (Duration, usize) {
        let size = vec2(self.whole.looks.width as f32, self.whole.looks.height as f32);
        let input =
            RawInput { screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), size)), events, ..RawInput::default() };
        let context = self.context.clone();
        let began = Instant::now();
        let mut output = context.run_ui(input, |ui| drop(self.whole.frame(ui)));
        let triangles = context.tessellate(output.shapes, output.pixels_per_point);
        let took = began.elapsed();
        // Textures would go to the graphics card now.
        output.textures_delta.clear();
        (took, triangles.len())
    }

    fn press(&mut self, key: Key) {
        let event =
            |pressed| Event::Key { key, physical_key: None, pressed, repeat: false, modifiers: Modifiers::NONE };
        self.frame(vec![event(true)]);
        self.frame(vec![event(false)]);
    }
}

fn main() {
    for (name, view, keys) in [
        ("whole pass, as counts", View::Lane, &[][..]),
        ("strokes, with the close-up", View::Lane, &[Key::ArrowRight, Key::ArrowRight][..]),
        ("comparing, strokes", View::Compare, &[Key::ArrowUp; 12][..]),
        ("patterns", View::Patterns, &[][..]),
    ] {
        let mut bench = Bench::new(view);
        bench.frame(Vec::new());
        keys.iter().for_each(|key| bench.press(*key));
        // Every other frame scrolls, so that no frame can be the last one again.
        let key = |i: usize| if i % 40 < 20 { Key::PageDown } else { Key::PageUp };
        let mut times: Vec<Duration> = Vec::new();
        for i in 0..NUM_FRAMES {
            if i % 2 == 0 {
                bench.press(key(i));
            }
            times.push(bench.frame(Vec::new()).0);
        }
        times.sort();
        let share = |s: f64| times[((times.len() - 1) as f64 * s) as usize].as_secs_f64() * 1e3;
        println!("{name}: median {:.2} ms, p99 {:.2} ms, worst {:.2} ms", share(0.5), share(0.99), share(1.0));
    }
}
