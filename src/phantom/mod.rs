//! Rendered ruled slides and animals with exact truth, independent of the code they test.
