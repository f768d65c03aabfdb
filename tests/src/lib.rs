//! Truth by construction and outside references.
