//! What the sides of one instance share: the player's choices, and what a project keeps beside them.

use crate::beats::Subdivision;
use crate::choices::{Choices, KeepsChoices, OwnChoices};
use crate::looks::Looks;
use crate::session::SharedSession;
use crate::state::{self, Keeper};
use crate::timing::Judging;
use notefront_dsp::Settings;
use parking_lot::RwLock;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Names of the fields of a project, each a text of JSON.
const FIELDS: [&str; 3] = ["session", "looks", "markers_folder"];

/// One instance's, shared by its threads.
#[derive(Clone)]
pub struct Project {
    choices: Arc<dyn KeepsChoices>,
    /// Passes, pins and names.
    pub session: SharedSession,
    /// The same, with what is packed of it ahead of a save.
    pub keeper: Keeper,
    /// Size, colours and text of the window.
    pub looks: Arc<RwLock<Looks>>,
    /// Folder of the marker files; empty until the player names one.
    pub markers_folder: Arc<RwLock<String>>,
}

impl Default for Project {
    fn default() -> Self {
        Self::with(Arc::new(OwnChoices::default()))
    }
}

impl Project {
    /// An empty one whose choices are kept there.
    #[must_use]
    pub fn with(choices: Arc<dyn KeepsChoices>) -> Self {
        Self::of(choices, Keeper::default())
    }

    /// One over this session, without looks and folder yet.
    #[must_use]
    pub fn of(choices: Arc<dyn KeepsChoices>, keeper: Keeper) -> Self {
        let session = keeper.session().clone();
        Self { choices, session, keeper, looks: Arc::default(), markers_folder: Arc::default() }
    }

    /// The choices as they are now.
    #[must_use]
    pub fn choices(&self) -> Choices {
        self.choices.now()
    }

    /// See [`Choices::judging`].
    #[must_use]
    pub fn judging(&self) -> Judging {
        self.choices().judging()
    }

    /// See [`Choices::settings`].
    #[must_use]
    pub fn settings(&self) -> Settings {
        self.choices().settings()
    }

    /// See [`Choices::subdivision`].
    #[must_use]
    pub fn subdivision(&self) -> Option<Subdivision> {
        self.choices().subdivision()
    }

    /// What is kept beside the choices, by name, as texts of JSON.
    ///
    /// # Errors
    /// None is known: it is plain data.
    pub fn fields(&self) -> serde_json::Result<BTreeMap<String, String>> {
        let texts = [
            serde_json::to_string(&self.keeper.to_keep())?,
            serde_json::to_string(&*self.looks.read())?,
            serde_json::to_string(&*self.markers_folder.read())?,
        ];
        Ok(FIELDS.iter().map(|name| (*name).to_owned()).zip(texts).collect())
    }

    /// Takes in what was kept, as far as each field can be read.
    pub fn take_fields(&self, fields: &BTreeMap<String, String>) {
        let mut fields = fields.clone();
        state::mark_damage(&mut fields);
        let [session, looks, folder] = FIELDS.map(|name| fields.get(name).map_or("", String::as_str));
        if let Ok(kept) = serde_json::from_str(session) {
            self.keeper.take_in(kept);
        }
        if let Ok(kept) = serde_json::from_str(looks) {
            *self.looks.write() = kept;
        }
        if let Ok(kept) = serde_json::from_str(folder) {
            *self.markers_folder.write() = kept;
        }
    }
}
