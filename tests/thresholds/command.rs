//! `check-thresholds` and `c-header` as a maker or a script runs them.
