//! The editor in a real window: opens, draws a pass, resizes, closes. On the display of `DISPLAY`, or else on one of
//! its own where `Xvfb` is installed.
#![cfg(target_os = "linux")]
#![allow(missing_docs)]

mod common;

use clack_extensions::gui::{GuiApiType, GuiConfiguration, GuiSize, Window};
use common::Insert;
use notefront::state::SavedSession;
use serde_json::json;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use x11rb::connection::Connection;
use x11rb::protocol::xproto::{ConnectionExt, CreateWindowAux, ImageFormat, WindowClass};
use x11rb::rust_connection::RustConnection;

/// Longest a window may take to draw on a busy machine before the test gives up. Not a measure of speed.
const PATIENCE: Duration = Duration::from_secs(180);
/// A host may make the window now and show it later; the window library's timers have all come round by then.
const BEFORE_SHOWN: Duration = Duration::from_millis(100);

/// The window's size at first.
const SIZE: (u16, u16) = (1000, 640);

struct Screen {
    connection: RustConnection,
    window: u32,
}

/// Red, green, blue of every pixel.
type Pixels = Vec<[u8; 3]>;

impl Screen {
    fn open(size: (u16, u16)) -> Option<Self> {
        let (connection, number) = x11rb::connect(None).ok()?;
        let root = connection.setup().roots[number].root;
        let window = connection.generate_id().expect("an id");
        let aux = CreateWindowAux::new();
        connection
            .create_window(24, window, root, 0, 0, size.0, size.1, 0, WindowClass::INPUT_OUTPUT, 0, &aux)
            .expect("a window");
        connection.map_window(window).expect("it can be shown");
        connection.flush().expect("the display listens");
        Some(Self { connection, window })
    }

    fn pixels(&self, size: (u16, u16)) -> Option<Pixels> {
        let image = self.connection.get_image(ImageFormat::Z_PIXMAP, self.window, 0, 0, size.0, size.1, !0).ok()?;
        let data = image.reply().ok()?.data;
        Some(data.chunks_exact(4).map(|p| [p[2], p[1], p[0]]).collect())
    }
}

fn save(pixels: &Pixels, size: (u16, u16), name: &str) {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/pictures");
    std::fs::create_dir_all(&folder).expect("target can be written");
    let mut bytes = format!("P6 {} {} 255\n", size.0, size.1).into_bytes();
    bytes.extend(pixels.iter().flatten());
    std::fs::write(folder.join(format!("{name}.ppm")), bytes).expect("target can be written");
}

fn count(pixels: &Pixels, colour: egui::Color32) -> usize {
    pixels.iter().filter(|p| **p == [colour.r(), colour.g(), colour.b()]).count()
}

/// Serves the host's main thread until `is_done` or patience ends.
fn wait(insert: &mut Insert, mut is_done: impl FnMut() -> bool) -> bool {
    let began = Instant::now();
    while began.elapsed() < PATIENCE {
        insert.serve_main_thread();
        if is_done() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    false
}

#[test]
fn the_window_opens_draws_a_pass_resizes_and_closes() {
    on_a_display("the_window_opens_draws_a_pass_resizes_and_closes", play_with_the_window);
}

#[test]
fn a_window_that_is_shown_late_draws() {
    on_a_display("a_window_that_is_shown_late_draws", show_late);
}

/// Runs `play`, the whole of the test of that name, where there is a display: with an insert that holds a pass, and a
/// window of the test's own for the insert's.
fn on_a_display(test: &str, play: fn(&mut Insert, &Screen)) {
    if std::env::var_os("DISPLAY").is_some() {
        let Some(screen) = Screen::open(SIZE) else {
            notefront_tests::skipped::say("the X display cannot be reached");
            return;
        };
        return play(&mut insert_with_a_pass(), &screen);
    }
    let Some(display) = OwnDisplay::open() else {
        notefront_tests::skipped::say("no X display, and no Xvfb to make one");
        return;
    };
    // In a child process: the display is named by the environment, which a running process must not change.
    let itself = std::env::current_exe().expect("a running test has a path");
    let mut child = Command::new(itself);
    child.env("DISPLAY", &display.name).args([test, "--exact", "--nocapture"]);
    let child = child.output().expect("a child process");
    println!("{}", String::from_utf8_lossy(&child.stdout));
    assert!(child.status.success(), "{}", String::from_utf8_lossy(&child.stderr));
}

/// An Xvfb of this test; it ends with it.
struct OwnDisplay {
    server: Child,
    name: String,
}

impl OwnDisplay {
    fn open() -> Option<Self> {
        let mut xvfb = Command::new("Xvfb");
        // It chooses a free number and tells it on its standard output.
        xvfb.args(["-displayfd", "1", "-screen", "0", "1400x900x24"]).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut server = xvfb.spawn().ok()?;
        let mut number = String::new();
        BufReader::new(server.stdout.take()?).read_line(&mut number).ok()?;
        Some(Self { server, name: format!(":{}", number.trim()) })
    }
}

impl Drop for OwnDisplay {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

/// A project's state that holds one pass.
fn state_with_a_pass() -> String {
    let saved = SavedSession { passes: vec![notefront::fixture::showcase(0)], reference: None, damage: Vec::new() };
    let session = serde_json::to_string(&saved).expect("plain data");
    json!({ "version": "0.1.0", "params": {}, "fields": { "session": session } }).to_string()
}

fn insert_with_a_pass() -> Insert {
    let mut insert = Insert::new();
    assert!(insert.load(state_with_a_pass().as_bytes()));
    insert
}

/// Makes the insert's window inside the test's; it is not shown yet.
fn make_window(insert: &mut Insert, screen: &Screen) {
    let (gui, handle) = insert.gui();
    let config = GuiConfiguration { api_type: GuiApiType::X11, is_floating: false };
    assert!(gui.is_api_supported(&handle, config));
    gui.create(&handle, config).expect("a window can be made");
    assert_eq!(gui.get_size(&handle), Some(GuiSize { width: SIZE.0.into(), height: SIZE.1.into() }));
    assert!(gui.can_resize(&handle));
    common::set_parent(&gui, &handle, Window::from_x11_handle(screen.window.into()));
}

fn show(insert: &mut Insert) {
    let (gui, handle) = insert.gui();
    gui.show(&handle).expect("it can be shown");
}

/// Closes the window and waits for its thread, as a host that unloads the library would have to.
fn close(insert: &mut Insert, threads_before: usize) {
    let (gui, handle) = insert.gui();
    gui.destroy(&handle);
    assert!(wait(insert, || threads() <= threads_before), "the window's thread ends");
}

fn threads() -> usize {
    std::fs::read_dir("/proc/self/task").map(Iterator::count).unwrap_or(0)
}

fn has_drawn(screen: &Screen) -> bool {
    let theme = notefront::view::theme::Theme::of(notefront::looks::Colours::Light);
    let pixels = screen.pixels(SIZE).unwrap_or_default();
    // Sixteen strokes over two pixels wide and a hundred high, at the least.
    count(&pixels, theme.ink) > 16 * 100 && count(&pixels, theme.paper) > 50_000
}

fn show_late(insert: &mut Insert, screen: &Screen) {
    let before = threads();
    make_window(insert, screen);
    std::thread::sleep(BEFORE_SHOWN / 2);
    assert!(insert.load(state_with_a_pass().as_bytes()), "what changes meanwhile asks for no frame");
    std::thread::sleep(BEFORE_SHOWN / 2);
    show(insert);
    assert!(wait(insert, || has_drawn(screen)), "it is drawn once it is shown");
    close(insert, before);
}

fn play_with_the_window(insert: &mut Insert, screen: &Screen) {
    let before = threads();
    let began = Instant::now();
    make_window(insert, screen);
    show(insert);
    assert!(wait(insert, || has_drawn(screen)), "the pass is drawn");
    println!("the editor was open and drawn after {:?}", began.elapsed());
    save(&screen.pixels(SIZE).expect("a picture"), SIZE, "editor");

    let larger = (1200, 760);
    let aux = x11rb::protocol::xproto::ConfigureWindowAux::new().width(1200).height(760);
    screen.connection.configure_window(screen.window, &aux).expect("the parent grows");
    screen.connection.flush().expect("the display listens");
    let (gui, handle) = insert.gui();
    gui.set_size(&handle, GuiSize { width: 1200, height: 760 }).expect("it can grow");
    let reaches_the_edge = || {
        let pixels = screen.pixels(larger).unwrap_or_default();
        pixels.len() > 1190 * 700
            && pixels.chunks(1200).filter(|row| row[1190] == row[600] && row[1190] != [0; 3]).count() > 200
    };
    assert!(wait(insert, reaches_the_edge), "the larger window is drawn to its edge");
    save(&screen.pixels(larger).expect("a picture"), larger, "editor-larger");

    close(insert, before);
    let state: serde_json::Value = serde_json::from_slice(&insert.save()).expect("JSON");
    let looks: serde_json::Value =
        serde_json::from_str(state["fields"]["looks"].as_str().expect("looks are kept")).expect("JSON");
    assert_eq!((looks["width"].as_u64(), looks["height"].as_u64()), (Some(1200), Some(760)), "it remembers its size");
}
