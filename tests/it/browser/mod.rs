//! What people see, in a real browser. Pictures go to tests/shots.

mod documents;
mod household;
