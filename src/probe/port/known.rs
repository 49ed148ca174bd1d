//! USB-serial chips by their ids: what sits on such a port may be a probe, and is asked.

/// A USB-serial chip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Chip {
    /// USB vendor and product number.
    pub usb: (u16, u16),
    /// What it is called, by part number.
    pub part: &'static str,
}

const fn of(vendor: u16, product: u16, part: &'static str) -> Chip {
    Chip { usb: (vendor, product), part }
}

/// The chips on small microcontroller boards and on adapters for them. The ids are those of the
/// Linux drivers ch341, cp210x, ftdi_sio, pl2303 and cdc-acm, from memory;
/// `bench-scripts/udev/70-strapwise-probe.rules` has the same, which a test holds together.
pub const CHIPS: &[Chip] = &[
    of(0x1A86, 0x7523, "CH340"),
    of(0x1A86, 0x7522, "CH340K"),
    of(0x1A86, 0x5523, "CH341A"),
    of(0x1A86, 0x55D3, "CH343"),
    of(0x1A86, 0x55D4, "CH9102"),
    of(0x10C4, 0xEA60, "CP2102"),
    of(0x10C4, 0xEA70, "CP2105"),
    of(0x10C4, 0xEA71, "CP2108"),
    of(0x0403, 0x6001, "FT232R"),
    of(0x0403, 0x6010, "FT2232"),
    of(0x0403, 0x6011, "FT4232"),
    of(0x0403, 0x6014, "FT232H"),
    of(0x0403, 0x6015, "FT231X"),
    of(0x067B, 0x2303, "PL2303"),
    of(0x067B, 0x23A3, "PL2303GC"),
    of(0x04D8, 0x00DD, "MCP2221"),
    of(0x04D8, 0x00DF, "MCP2200"),
    of(0x2341, 0x0001, "ATmega8U2"),
    of(0x2341, 0x0010, "ATmega8U2"),
    of(0x2341, 0x0042, "ATmega16U2"),
    of(0x2341, 0x0043, "ATmega16U2"),
    of(0x2341, 0x0243, "ATmega16U2"),
    of(0x2A03, 0x0042, "ATmega16U2"),
    of(0x2A03, 0x0043, "ATmega16U2"),
];

/// The USB-serial chip with these ids, if it is one of those.
pub fn chip(usb: Option<(u16, u16)>) -> Option<Chip> {
    let usb = usb?;
    CHIPS.iter().copied().find(|chip| chip.usb == usb)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RULES: &str = include_str!("../../../bench-scripts/udev/70-strapwise-probe.rules");

    #[test]
    fn the_udev_rule_has_the_same_chips() {
        let of_rule = |line: &str| {
            let value = |key: &str| {
                let (_, rest) = line.split_once(&format!("ATTRS{{{key}}}==\""))?;
                u16::from_str_radix(rest.split('"').next()?, 16).ok()
            };
            Some((value("idVendor")?, value("idProduct")?))
        };
        let mut ruled: Vec<_> =
            RULES.lines().filter(|l| !l.starts_with('#')).filter_map(of_rule).collect();
        let mut known: Vec<_> = CHIPS.iter().map(|c| c.usb).collect();
        ruled.sort_unstable();
        known.sort_unstable();
        assert_eq!(ruled, known);
        known.dedup();
        assert_eq!(known.len(), CHIPS.len(), "no chip stands there twice");
    }
}
