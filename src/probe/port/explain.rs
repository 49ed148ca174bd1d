//! Why a port does not open, as plain data, and what to do about it.

use super::BAUD;
use std::fmt;

/// How the system refused.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// Another program has the port.
    Taken,
    /// This user may not open it.
    Denied,
    /// It is no serial port at all: the system knows no line rate for it.
    NoLine,
    /// Anything else, in the system's words.
    Other(String),
}

/// What is known about a port that did not open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Facts {
    /// Name asked for.
    pub name: String,
    /// Whether there is such a port at all.
    pub there: bool,
    /// Ports that there are.
    pub listed: Vec<String>,
    /// How the system refused.
    pub refusal: Refusal,
    /// Owner and group of the device file.
    pub owner: Option<(String, String)>,
    /// Programs that hold it, as far as the system tells.
    pub holders: Vec<String>,
}

/// Tells absent, busy and forbidden apart: by the kind of the error and by what is there, as busy
/// and absent share a kind on some systems.
pub fn explain(facts: Facts) -> PortError {
    let Facts { name, there, listed, refusal, owner, holders } = facts;
    match refusal {
        _ if !there => PortError::Absent { name, listed },
        Refusal::Taken => PortError::Busy { name, holders },
        Refusal::Denied => PortError::Forbidden { name, owner },
        Refusal::NoLine => PortError::NoLine { name },
        Refusal::Other(text) => PortError::Other { name, text },
    }
}

/// Why a port could not be opened, and what helps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortError {
    /// There is no such port.
    Absent {
        /// Name asked for.
        name: String,
        /// Ports that there are.
        listed: Vec<String>,
    },
    /// Another program has it.
    Busy {
        /// Name asked for.
        name: String,
        /// Programs that hold it, as far as the system tells.
        holders: Vec<String>,
    },
    /// The user may not open it.
    Forbidden {
        /// Name asked for.
        name: String,
        /// Owner and group of the device file.
        owner: Option<(String, String)>,
    },
    /// It is no serial port.
    NoLine {
        /// Name asked for.
        name: String,
    },
    /// A rate that resets boards into their boot loader.
    Rate(u32),
    /// Anything else.
    Other {
        /// Name asked for.
        name: String,
        /// What the system says.
        text: String,
    },
}

impl fmt::Display for PortError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PortError::Absent { name, listed } if listed.is_empty() => {
                write!(f, "{name}: no such port, and there is no other: plug the board in")
            }
            PortError::Absent { name, listed } => {
                write!(f, "{name}: no such port; there are {}", listed.join(", "))
            }
            PortError::Busy { name, holders } if holders.is_empty() => {
                write!(f, "{name}: another program has it; `sudo fuser -v {name}` names it")
            }
            PortError::Busy { name, holders } => {
                write!(f, "{name}: {} has it; close that first", holders.join(", "))
            }
            PortError::Forbidden { name, owner } => match owner {
                Some((owner, group)) if group != "root" => write!(
                    f,
                    "{name}: belongs to {owner}, group {group}, and you are not in it: run \
                     `sudo usermod -aG {group} $USER`, log out and in again; or install the udev \
                     rule of bench-scripts/udev"
                ),
                Some((owner, group)) => write!(
                    f,
                    "{name}: belongs to {owner}, group {group}: run `sudo setfacl -m \
                     u:$USER:rw {name}` for now, and install the udev rule of \
                     bench-scripts/udev for good"
                ),
                None => write!(f, "{name}: you may not open it: ask for access to the device"),
            },
            PortError::NoLine { name } => {
                write!(f, "{name}: this is no serial port; `strapwise ports` lists those there are")
            }
            PortError::Rate(baud) => {
                write!(f, "{baud} baud resets many boards into their boot loader: use {BAUD}")
            }
            PortError::Other { name, text } => {
                write!(f, "{name}: {text}; unplug the board, wait a moment, plug it in again")
            }
        }
    }
}

impl std::error::Error for PortError {}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(refusal: Refusal) -> Facts {
        Facts {
            name: "/dev/ttyUSB0".into(),
            there: true,
            listed: vec!["/dev/ttyUSB0".into()],
            refusal,
            owner: Some(("root".into(), "dialout".into())),
            holders: vec!["terminal (process 77)".into()],
        }
    }

    #[test]
    fn a_busy_port_names_who_has_it() {
        let text = explain(facts(Refusal::Taken)).to_string();
        assert_eq!(text, "/dev/ttyUSB0: terminal (process 77) has it; close that first");
        let hidden = Facts { holders: Vec::new(), ..facts(Refusal::Taken) };
        let text = explain(hidden).to_string();
        assert!(text.contains("`sudo fuser -v /dev/ttyUSB0` names it"), "{text}");
    }

    #[test]
    fn a_forbidden_port_names_group_command_and_rule() {
        let text = explain(facts(Refusal::Denied)).to_string();
        assert!(text.contains("sudo usermod -aG dialout $USER"), "{text}");
        assert!(text.contains("bench-scripts/udev"), "{text}");
        let root = Some(("root".into(), "root".into()));
        let text = explain(Facts { owner: root, ..facts(Refusal::Denied) }).to_string();
        assert!(text.contains("setfacl") && !text.contains("usermod"), "{text}");
    }

    #[test]
    fn a_port_that_is_not_there_is_absent_however_the_system_calls_it() {
        for refusal in [Refusal::Taken, Refusal::Denied, Refusal::Other("no device".into())] {
            let gone = Facts { there: false, ..facts(refusal) };
            assert!(matches!(explain(gone), PortError::Absent { .. }));
        }
        let none = Facts { there: false, listed: Vec::new(), ..facts(Refusal::Taken) };
        assert!(explain(none).to_string().contains("plug the board in"));
    }

    #[test]
    fn a_device_that_is_no_serial_port_is_called_so() {
        let text = explain(facts(Refusal::NoLine)).to_string();
        assert!(text.contains("no serial port") && !text.contains("unplug"), "{text}");
    }

    #[test]
    fn anything_else_keeps_the_systems_words() {
        let text = explain(facts(Refusal::Other("protocol error".into()))).to_string();
        assert!(text.contains("protocol error") && text.contains("plug it in again"), "{text}");
    }
}
