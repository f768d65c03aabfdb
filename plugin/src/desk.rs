//! EDITOR: what a window does in each frame, in a host as in the standalone: draws the screen, keeps looks and folder, and sees to
//! files and takes.

use crate::beside;
use crate::looks::Looks;
use crate::marker_files;
use crate::meters::Meters;
use crate::passes::PassId;
use crate::project::Project;
use crate::take_file::TakeLoader;
use crate::tasks::Task;
use crate::view::listen::{ListenWish, Listening};
use crate::view::markers::MarkersWish;
use crate::view::{Screen, ScreenInput};
use egui::Ui;
use notefront_takes::remembered;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A window's screen, and what it works on.
pub struct Desk {
    project: Project,
    meters: Arc<Meters>,
    loader: Arc<TakeLoader>,
    screen: Screen,
    /// The folder as the last frame left it.
    folder_before: String,
    /// What is to be heard, until someone who plays takes it.
    asked: Vec<ListenWish>,
}

impl Desk {
    /// A window on these; `alone` without a host around it.
    #[must_use]
    pub fn new(project: Project, meters: Arc<Meters>, loader: Arc<TakeLoader>, alone: bool) -> Self {
        let mut screen = Screen::writing_to(folder_of(&project.markers_folder.read()));
        screen.alone = alone;
        if !alone {
            screen.ear_lines = remembered::moved_lines();
        }
        let folder_before = screen.markers.folder.clone();
        Self { project, meters, loader, screen, folder_before, asked: Vec::new() }
    }

    /// How the player listens, and what sounds.
    pub fn listening(&mut self) -> &mut Listening {
        &mut self.screen.listening
    }

    /// What stands in the way of hearing; empty where nothing does.
    #[must_use]
    pub fn listening_trouble(&self) -> &str {
        &self.screen.listening.trouble
    }

    /// What is to be heard since the last call.
    pub fn take_asked(&mut self) -> Vec<ListenWish> {
        std::mem::take(&mut self.asked)
    }

    /// The pass on show, where one is.
    #[must_use]
    pub fn on_show(&self) -> Option<PassId> {
        self.screen.on_show(&self.project.session.lock())
    }

    /// Begins to analyse a take.
    ///
    /// # Errors
    /// Why it cannot be read, in words.
    pub fn load(&self, path: &Path) -> Result<(), String> {
        self.loader.begin(path)
    }

    /// Opens the panel in which a take is looked for, in the player's own folder at first.
    pub fn find_take(&mut self) {
        if self.screen.markers.take.trim().is_empty()
            && let Some(home) = std::env::home_dir()
        {
            self.screen.markers.take = home.display().to_string();
        }
        self.screen.open_markers();
    }

    /// The looks of now, within their bounds.
    #[must_use]
    pub fn looks(&self) -> Looks {
        self.project.looks.read().clamped()
    }

    /// Draws a frame; what it gives back is for the one who sets parameters.
    pub fn frame(&mut self, ui: &mut Ui) -> Vec<Task> {
        let mut looks = self.looks();
        let before = looks;
        self.look_beside();
        let mut session = self.project.session.lock();
        let (choices, meters) = (self.project.choices(), &self.meters);
        let output =
            self.screen.show(ui, &mut ScreenInput { session: &mut session, choices, meters, looks: &mut looks });
        drop(session);
        if looks != before {
            *self.project.looks.write() = looks;
        }
        self.follow_folder();
        output.said.into_iter().for_each(|id| self.keep_beside(id));
        self.asked.extend(output.listen);
        for (wish, pass) in output.markers {
            self.follow_markers(ui.ctx(), wish, pass);
        }
        output.tasks
    }

    /// Passes that a project brought are judged as the choices are now, with what lies beside their takes.
    fn look_beside(&self) {
        let judging = self.project.judging();
        let mut session = self.project.session.lock();
        if session.is_stale {
            session.rejudge(&judging);
        }
        let is_apart = std::mem::take(&mut session.is_apart);
        drop(session);
        if is_apart {
            beside::look_again(&self.project.session, &judging);
        }
    }

    /// What was said of a take is kept beside it.
    pub fn keep_beside(&mut self, id: PassId) {
        if let Some(outcome) = beside::keep(&self.project.session, id, &self.project.judging()) {
            self.screen.beside.insert(id, outcome);
        }
    }

    /// Keeps a folder that the player typed with the project; shows one that a project brought.
    fn follow_folder(&mut self) {
        let mut kept = self.project.markers_folder.write();
        let typed = &mut self.screen.markers.folder;
        if self.folder_before != *typed {
            kept.clone_from(typed);
        } else if folder_of(&kept) != folder_of(typed) {
            *typed = folder_of(&kept).display().to_string();
        }
        self.folder_before.clone_from(typed);
    }

    fn follow_markers(&mut self, context: &egui::Context, wish: MarkersWish, pass: Option<PassId>) {
        // Copied out, so that the worker is not held up by a slow disk.
        let pass = pass.and_then(|id| self.project.session.lock().pass(id).cloned());
        let folder = PathBuf::from(self.screen.markers.folder.trim());
        let panel = &mut self.screen.markers;
        match (wish, pass) {
            (MarkersWish::Write, Some(pass)) => {
                let track = self.project.session.lock().track.clone();
                panel.outcome = Some(marker_files::write_all(&pass, &track, &folder, panel.which));
            }
            (MarkersWish::Copy, Some(pass)) => context.copy_text(marker_files::text(&pass)),
            (MarkersWish::Open, _) => {
                if let Err(why) = marker_files::open_folder(&folder) {
                    panel.outcome = Some(Err(why));
                }
            }
            (MarkersWish::Load(path), _) => {
                if let Err(why) = self.loader.begin(&path) {
                    panel.outcome = Some(Err(why));
                }
            }
            _ => {}
        }
    }
}

/// The folder the project names, or the usual one.
fn folder_of(kept: &str) -> PathBuf {
    if kept.trim().is_empty() { marker_files::default_folder() } else { PathBuf::from(kept) }
}
