//! To come.
#![forbid(unsafe_code)]
