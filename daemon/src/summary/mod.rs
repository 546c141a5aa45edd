//! The daily summary: one mail each local day, always sent; its absence is a signal too.

/// A summary in words and pictures.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    pub subject: String,
    /// At most twelve lines.
    pub text: String,
    pub html: String,
    /// Images of the HTML: content id and PNG bytes in base64.
    pub images: Vec<(String, String)>,
    /// The same in at most 160 characters, for a text channel.
    pub one_line: String,
}
