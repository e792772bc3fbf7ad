//! Placeholder head; see DEVELOPERS.md.
