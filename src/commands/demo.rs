//! demo placeholder
#[derive(Debug, clap::Args)]
/// x
pub struct Demo {}
impl Demo {
    /// x
    /// # Errors
    /// x
    pub fn run(&self) -> Result<u8, super::Failure> {
        Ok(0)
    }
}
