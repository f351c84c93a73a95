//! Polars columns in and out.
