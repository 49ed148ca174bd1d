//! What a new board goes through: flags that `new` and `design` share.

use crate::board::{Assumed, InUse};
use crate::cli::Failure;
use crate::units::{Allow, Celsius, Ratio, tempco};

/// Temperature and age.
#[derive(Clone, Debug, clap::Args)]
pub struct UseArguments {
    /// Temperatures in use in degrees Celsius, like -10..60
    #[arg(long, value_name = "LOW..HIGH", allow_hyphen_values = true)]
    temperature: Option<String>,
    /// Temperature coefficient of the resistors, like 50ppm/K; else what is usual for their
    /// tolerance, marked as assumed
    #[arg(long, value_name = "PPM", allow_hyphen_values = true)]
    tempco: Option<String>,
    /// Change of the resistors over their life, either way, like 0.2%; else what is usual for
    /// their tolerance, marked as assumed
    #[arg(long, value_name = "SHARE")]
    ageing: Option<String>,
}

impl UseArguments {
    /// Reads the flags.
    pub fn read(&self) -> Result<InUse, Failure> {
        let wrong =
            |flag: &str, why: &dyn std::fmt::Display| Failure::input(format!("{flag}: {why}"));
        let temperature = self.temperature.as_deref().map(Celsius::range).transpose();
        let coefficient = self.tempco.as_deref().map(tempco).transpose();
        let ageing = self.ageing.as_deref().map(|text| Ratio::read(text, Allow::NonNegative));
        let ageing = ageing.transpose().map_err(|e| wrong("--ageing", &e))?;
        if let Some(share) = ageing.filter(|a| a.0 >= 1.0) {
            return Err(wrong(
                "--ageing",
                &format!("{share} is not below 100 %; write it like 0.5%"),
            ));
        }
        Ok(InUse {
            temperature: temperature.map_err(|e| wrong("--temperature", &e))?,
            bench: None,
            tempco: coefficient.map_err(|e| wrong("--tempco", &e))?,
            ageing,
            contact: None,
            assumed: Assumed::default(),
        })
    }
}
