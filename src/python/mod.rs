//! Python objects in and out.
