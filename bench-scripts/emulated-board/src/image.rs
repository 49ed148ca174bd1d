//! Firmware images: Intel HEX and ELF.

use std::fmt;
use std::path::Path;

use object::{Object, ObjectSegment};

/// Where avr-gcc puts the EEPROM's contents in an ELF file.
const ELF_EEPROM: u64 = 0x81_0000;
/// Where data memory begins in an ELF file; only below it is program memory.
const ELF_DATA: u64 = 0x80_0000;

/// What is to be put into a chip.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Image {
    /// Pieces of program memory, each with its byte address.
    pub flash: Vec<(u32, Vec<u8>)>,
    /// Pieces of EEPROM, each with its byte address.
    pub eeprom: Vec<(u32, Vec<u8>)>,
}

/// Why a file is no firmware image.
#[derive(Debug)]
pub struct ImageError(String);

impl fmt::Display for ImageError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for ImageError {}

impl Image {
    /// Reads an ELF file, known by its first bytes, or else a HEX file.
    pub fn read(path: &Path) -> Result<Image, ImageError> {
        let name = path.display();
        let bytes = std::fs::read(path).map_err(|e| {
            ImageError(format!("{name}: {e}; build the firmware first, or correct the path"))
        })?;
        let image = if bytes.starts_with(b"\x7fELF") {
            Image::from_elf(&bytes)
        } else {
            Image::from_hex(&String::from_utf8_lossy(&bytes))
        };
        image.map_err(|e| ImageError(format!("{name}: {e}")))
    }

    /// Reads Intel HEX text.
    pub fn from_hex(text: &str) -> Result<Image, ImageError> {
        let mut image = Image::default();
        let mut base = 0u32;
        for (index, record) in ihex::Reader::new(text).enumerate() {
            let record = record.map_err(|e| {
                ImageError(format!("line {}: {e}; not a whole Intel HEX file", index + 1))
            })?;
            match record {
                ihex::Record::Data { offset, value } => {
                    image.flash.push((base.saturating_add(u32::from(offset)), value));
                }
                ihex::Record::ExtendedSegmentAddress(segment) => base = u32::from(segment) << 4,
                ihex::Record::ExtendedLinearAddress(high) => base = u32::from(high) << 16,
                ihex::Record::StartSegmentAddress { .. } | ihex::Record::StartLinearAddress(_) => {}
                ihex::Record::EndOfFile => return image.with_a_program(),
            }
        }
        Err(ImageError("no end record; the Intel HEX file is cut short or not one".into()))
    }

    /// Reads an ELF file of avr-gcc, by its load addresses.
    pub fn from_elf(bytes: &[u8]) -> Result<Image, ImageError> {
        let bad = |e: object::Error| ImageError(format!("not a whole ELF file: {e}"));
        let elf = object::read::elf::ElfFile32::<object::Endianness>::parse(bytes).map_err(bad)?;
        let endian = elf.endian();
        let mut image = Image::default();
        for segment in elf.segments() {
            let data = segment.data().map_err(bad)?;
            let at = u64::from(segment.elf_program_header().p_paddr.get(endian));
            match at {
                _ if data.is_empty() => {}
                0..ELF_DATA => image.flash.push((at as u32, data.to_vec())),
                ELF_EEPROM..0x82_0000 => {
                    image.eeprom.push(((at - ELF_EEPROM) as u32, data.to_vec()));
                }
                _ => {} // fuses, lock bits, signature: not memory of the emulated chip
            }
        }
        image.with_a_program()
    }

    fn with_a_program(self) -> Result<Image, ImageError> {
        if self.flash.is_empty() {
            return Err(ImageError("no program in it; build the firmware again".into()));
        }
        Ok(self)
    }
}
