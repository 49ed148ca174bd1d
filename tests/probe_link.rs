//! The probe's link: the C core that also runs on the chip, over fixed pins.

#[path = "probe_link/behaviour.rs"]
mod behaviour;
#[path = "probe_link/document.rs"]
mod document;
#[path = "probe_link/host.rs"]
mod host;
#[path = "probe_link/stand_in.rs"]
mod stand_in;
#[path = "probe_link/standards.rs"]
mod standards;
