//! Parts on an I2C bus, as far as they answer to their address (UM10204 section 3.1, from memory).

/// Listens to two lines and pulls the data low for the bit that answers an address of its own.
#[derive(Clone, Debug, Default)]
pub struct Responder {
    /// 7-bit addresses that somebody answers to.
    addresses: Vec<u8>,
    /// The lines as they were last.
    sda: bool,
    scl: bool,
    /// Bits taken since the start condition, and how many; none while nobody is addressed.
    taken: Option<(u8, u8)>,
    answering: bool,
}

impl Responder {
    /// One that answers to these, both lines high.
    pub fn new(addresses: &[u8]) -> Responder {
        let addresses = addresses.to_vec();
        Responder { addresses, sda: true, scl: true, ..Responder::default() }
    }

    /// Who is there from now on: parts come and go with their supply.
    pub fn answer_to(&mut self, addresses: Vec<u8>) {
        self.answering &= !addresses.is_empty();
        self.addresses = addresses;
    }

    /// Whether it pulls the data line low.
    pub fn pulls(&self) -> bool {
        self.answering
    }

    /// Tells it what everybody else makes of the two lines now.
    pub fn lines(&mut self, sda: bool, scl: bool) {
        let sda = sda && !self.answering;
        match (self.scl, scl) {
            // While the clock is high the data changes for a start or a stop only.
            (true, true) if self.sda && !sda => self.taken = Some((0, 0)),
            (true, true) if !self.sda && sda => self.taken = None,
            (false, true) => self.rises(sda),
            (true, false) => self.falls(),
            _ => {}
        }
        (self.sda, self.scl) = (sda && !self.answering, scl);
    }

    fn rises(&mut self, sda: bool) {
        if let Some((bits, count)) = &mut self.taken
            && *count < 8
        {
            *bits = *bits << 1 | u8::from(sda);
            *count += 1;
        }
    }

    fn falls(&mut self) {
        if self.answering {
            // It has answered; what is written to it is not looked at.
            (self.answering, self.taken) = (false, None);
        } else if let Some((bits, 8)) = self.taken {
            self.answering = self.addresses.contains(&(bits >> 1));
            self.taken = self.taken.filter(|_| self.answering);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sends a byte as a master does, from a start to a stop; whether it was answered.
    fn sent(part: &mut Responder, byte: u8) -> bool {
        part.lines(false, true);
        for bit in (0..8).rev() {
            let level = byte >> bit & 1 != 0;
            for scl in [false, true] {
                part.lines(level, scl);
            }
        }
        part.lines(true, false);
        part.lines(true, true);
        let answered = part.pulls();
        for (sda, scl) in [(true, false), (false, false), (false, true), (true, true)] {
            part.lines(sda, scl);
        }
        answered
    }

    #[test]
    fn a_part_answers_to_its_own_address_alone_and_lets_go_again() {
        let mut part = Responder::new(&[0x50]);
        let answered: Vec<u8> = (0..128).filter(|a| sent(&mut part, a << 1)).collect();
        assert_eq!(answered, [0x50]);
        assert!(!part.pulls());
        part.answer_to(Vec::new());
        assert!(!sent(&mut part, 0xA0), "its supply is gone");
    }
}
