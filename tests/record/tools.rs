//! Ordinary programs that look at a record as an inspector's would.

use std::path::Path;
use std::process::Command;

/// Runs a program to its end and gives what it says.
#[track_caller]
pub(crate) fn said(program: &str, args: &[&str], how_to_get_it: &str) -> String {
    let output = Command::new(program)
        .args(args)
        .output()
        .unwrap_or_else(|error| panic!("{program} can't be started ({error}): {how_to_get_it}"));
    let (out, wrong) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{program} {args:?}: {wrong}{out}");
    out.into_owned()
}

const POPPLER: &str = "apt-get install poppler-utils";

/// The text of a PDF in the order of the page, blanks made one.
pub(crate) fn text_of(pdf: &Path) -> String {
    let text = said("pdftotext", &["-layout", &pdf.display().to_string(), "-"], POPPLER);
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The same, page by page.
pub(crate) fn pages_as_text(pdf: &Path) -> Vec<String> {
    let text = said("pdftotext", &["-layout", &pdf.display().to_string(), "-"], POPPLER);
    text.split('\u{c}').map(|page| page.split_whitespace().collect::<Vec<_>>().join(" ")).collect()
}

/// The same in the order in which it was written: cells of a table in one piece.
pub(crate) fn pieces_of(pdf: &Path) -> String {
    let text = said("pdftotext", &["-raw", &pdf.display().to_string(), "-"], POPPLER);
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A page as gray pixels: width, height, and a byte for each.
pub(crate) struct Page {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) gray: Vec<u8>,
}

/// Every page as `pdftoppm` draws it, with so many pixels to an inch.
pub(crate) fn pages_of(pdf: &Path, dots: u32) -> Vec<Page> {
    let dir = tempfile::tempdir().unwrap();
    let (pdf, to) = (pdf.display().to_string(), dir.path().join("p").display().to_string());
    said("pdftoppm", &["-gray", "-r", &dots.to_string(), &pdf, &to], POPPLER);
    let mut files: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|file| file.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| Page::read(&std::fs::read(file).unwrap())).collect()
}

// === impl Page ===

impl Page {
    /// Reads a binary graymap.
    fn read(bytes: &[u8]) -> Page {
        let mut fields = bytes.splitn(4, u8::is_ascii_whitespace);
        let mut number = || String::from_utf8_lossy(fields.next().unwrap()).into_owned();
        assert_eq!(number(), "P5");
        let (width, height) = (number().parse().unwrap(), number().parse().unwrap());
        let start = bytes.len() - width * height;
        Page { width, height, gray: bytes[start..].to_vec() }
    }

    /// Left, top, right and bottom end of what is printed; none for an empty page.
    pub(crate) fn printed(&self) -> Option<[usize; 4]> {
        let dark = self.gray.iter().enumerate().filter(|(_, gray)| **gray < 200);
        dark.fold(None, |bounds: Option<[usize; 4]>, (index, _)| {
            let (x, y) = (index % self.width, index / self.width);
            let [left, top, right, bottom] = bounds.unwrap_or([x, y, x, y]);
            Some([left.min(x), top.min(y), right.max(x), bottom.max(y)])
        })
    }
}
