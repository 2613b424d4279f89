//! The record book as it grows: large books made, and what reading them costs.

mod growth;
mod host;
mod make;
mod picture;
mod reads;
mod whole;
mod wide;

/// Large record books: made, read, and read whole
#[derive(Debug, clap::Args)]
pub struct BookArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    Make(make::Make),
    Reads(reads::Reads),
    Host(host::Host),
    Wide(wide::Wide),
    Whole(whole::Whole),
    Growth(growth::Growth),
    Picture(picture::Picture),
}

/// Measures.
pub fn run(args: &BookArgs) -> Result<crate::Measured, String> {
    match &args.what {
        What::Make(args) => make::run(args),
        What::Reads(args) => reads::run(args),
        What::Host(args) => host::run(args),
        What::Wide(args) => wide::run(args),
        What::Whole(args) => whole::run(args),
        What::Growth(args) => growth::run(args),
        What::Picture(args) => picture::run(args),
    }
    .map_err(|e| e.to_string())
}
