//! The markers panel: where files go, and the text for the clipboard.

use crate::marker_files::Which;
use crate::passes::Pass;
use egui::{ComboBox, RichText, TextEdit, Ui};
use notefront_dsp::FaultName;
use notefront_takes::words;
use std::path::{Path, PathBuf};

/// What the panel keeps between frames.
#[derive(Debug, Clone, Default)]
pub struct MarkersPanel {
    /// Folder the files go to.
    pub folder: String,
    /// Which entrances are marked.
    pub which: Which,
    /// What came of the last wish.
    pub outcome: Option<Result<Vec<PathBuf>, String>>,
    /// A take to load, as typed or picked.
    pub take: String,
    /// The folder listed last, and what is in it: a folder is read once, not every frame.
    pub listed: Option<(PathBuf, Listing)>,
}

/// What a folder holds that is of use here.
#[derive(Debug, Clone, Default)]
pub struct Listing {
    /// Folders to go to, the one above first.
    pub folders: Vec<(String, PathBuf)>,
    /// Takes.
    pub files: Vec<PathBuf>,
}

/// What the player wants done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MarkersWish {
    /// Write the files.
    Write,
    /// Copy the text.
    Copy,
    /// Open the folder in the system's file window.
    Open,
    /// Load this take file.
    Load(PathBuf),
}

/// Draws the panel; `loading` is the take that is being analysed, and how much of it.
pub fn show(
    ui: &mut Ui,
    pass: Option<&Pass>,
    loading: Option<&(String, f32)>,
    panel: &mut MarkersPanel,
) -> Vec<MarkersWish> {
    let mut wishes = Vec::new();
    ui.strong("Markers of this pass");
    let label = ui.label("folder");
    ui.add(TextEdit::singleline(&mut panel.folder).desired_width(f32::INFINITY)).labelled_by(label.id);
    which(ui, &mut panel.which);
    ui.horizontal_wrapped(|ui| {
        let has_entrances = pass.is_some_and(|p| !p.entrances.is_empty());
        ui.add_enabled_ui(has_entrances, |ui| {
            let why = "A MIDI file with markers, a CSV table and a JSON document, written whole or not at all";
            if ui.button("write files").on_hover_text(why).clicked() {
                wishes.push(MarkersWish::Write);
            }
            if ui.button("copy as text").clicked() {
                wishes.push(MarkersWish::Copy);
            }
        });
        if ui.button("open folder").clicked() {
            wishes.push(MarkersWish::Open);
        }
    });
    match &panel.outcome {
        Some(Ok(files)) => {
            for file in files {
                ui.label(RichText::new(format!("written: {}", name_of(file))).small());
            }
        }
        Some(Err(why)) => {
            ui.label(RichText::new(why).small());
        }
        None => {}
    }
    ui.separator();
    load(ui, loading, panel, &mut wishes);
    wishes
}

fn which(ui: &mut Ui, which: &mut Which) {
    let name = |which: Which| match which {
        Which::Flagged => "flagged entrances",
        Which::All => "all entrances",
        Which::Fault(fault) => words::word(fault),
    };
    ComboBox::from_label("marked").selected_text(name(*which)).show_ui(ui, |ui| {
        for choice in [Which::Flagged, Which::All].into_iter().chain(FaultName::ALL.map(Which::Fault)) {
            ui.selectable_value(which, choice, name(choice));
        }
    });
}

fn load(ui: &mut Ui, loading: Option<&(String, f32)>, panel: &mut MarkersPanel, wishes: &mut Vec<MarkersWish>) {
    ui.strong("A take from a file");
    if let Some((name, share)) = loading {
        ui.label(format!("analysing {name}"));
        ui.add(egui::ProgressBar::new(*share).show_percentage());
        return;
    }
    let label = ui.label("audio file or folder");
    ui.add(TextEdit::singleline(&mut panel.take).desired_width(f32::INFINITY)).labelled_by(label.id);
    let typed = PathBuf::from(panel.take.trim());
    if typed.is_file() {
        if ui.button("load").clicked() {
            wishes.push(MarkersWish::Load(typed));
        }
    } else if typed.is_dir() {
        egui::ScrollArea::vertical().id_salt("takes").max_height(160.0).show(ui, |ui| {
            let mut goes_to = None;
            let listing = panel.listing_of(&typed);
            for (name, folder) in &listing.folders {
                if ui.selectable_label(false, name).clicked() {
                    goes_to = Some(folder.display().to_string());
                }
            }
            for file in &listing.files {
                if ui.selectable_label(false, name_of(file)).clicked() {
                    wishes.push(MarkersWish::Load(file.clone()));
                }
            }
            if let Some(folder) = goes_to {
                panel.take = folder;
            }
        });
    } else if !panel.take.trim().is_empty() {
        ui.label(RichText::new("There is no such file or folder.").small());
    }
}

impl MarkersPanel {
    fn listing_of(&mut self, folder: &Path) -> &Listing {
        let kept = self.listed.take().filter(|(listed, _)| listed == folder);
        &self.listed.insert(kept.unwrap_or_else(|| (folder.to_owned(), listing(folder)))).1
    }
}

/// Most files, and most folders, listed of a folder.
const MAX_LISTED: usize = 200;

fn listing(folder: &Path) -> Listing {
    const ENDINGS: [&str; 8] = ["wav", "wave", "aif", "aiff", "flac", "ogg", "mp3", "rf64"];
    let Ok(entries) = std::fs::read_dir(folder) else { return Listing::default() };
    let is_audio = |path: &PathBuf| {
        path.extension().and_then(|e| e.to_str()).is_some_and(|e| ENDINGS.contains(&e.to_lowercase().as_str()))
    };
    let mut all: Vec<PathBuf> = entries.filter_map(Result::ok).map(|e| e.path()).collect();
    all.sort();
    let above = folder.parent().map(|above| ("one folder up".to_owned(), above.to_owned()));
    let is_shown = |path: &&PathBuf| path.is_dir() && !name_of(path).starts_with('.');
    let below = all.iter().filter(is_shown).take(MAX_LISTED).map(|path| (format!("{}/", name_of(path)), path.clone()));
    let folders = above.into_iter().chain(below).collect();
    Listing { folders, files: all.iter().filter(|p| is_audio(p)).take(MAX_LISTED).cloned().collect() }
}

fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}
