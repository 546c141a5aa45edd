//! Pages to the bytes of a PDF.

use std::io::Write as _;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use super::Paper;
use super::fonts::{Face, bytes};
use super::paper::Page;
use crate::record::chart::Op;
use crate::record::document::Document;

const CATALOG: Ref = Ref::new(1);
const TREE: Ref = Ref::new(2);
const REGULAR: Ref = Ref::new(3);
const BOLD: Ref = Ref::new(4);
const ABOUT: Ref = Ref::new(5);
/// Numbers before those of the pages.
const BEFORE_PAGES: i32 = 6;

pub(super) fn file(document: &Document, pages: &[Page], paper: Paper) -> Vec<u8> {
    let mut pdf = Pdf::new();
    let size = paper.points();
    let refs: Vec<(Ref, Ref)> = (0..)
        .step_by(2)
        .map(|n| (Ref::new(BEFORE_PAGES + n), Ref::new(BEFORE_PAGES + n + 1)))
        .take(pages.len())
        .collect();
    {
        let mut catalog = pdf.catalog(CATALOG);
        catalog.pages(TREE).lang(TextStr("en"));
        catalog.viewer_preferences().display_doc_title(true);
    }
    pdf.document_info(ABOUT)
        .title(TextStr(&document.title))
        .producer(TextStr(concat!("Heapward ", env!("CARGO_PKG_VERSION"))));
    let count = i32::try_from(pages.len()).unwrap_or(i32::MAX);
    pdf.pages(TREE).kids(refs.iter().map(|(page, _)| *page)).count(count);
    for (font, name) in [(REGULAR, "Times-Roman"), (BOLD, "Times-Bold")] {
        pdf.type1_font(font).base_font(Name(name.as_bytes())).encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    for (page, (id, content)) in pages.iter().zip(refs) {
        let mut writer = pdf.page(id);
        writer.media_box(Rect::new(0.0, 0.0, size.0, size.1)).parent(TREE).contents(content);
        writer.resources().fonts().pair(Name(b"R"), REGULAR).pair(Name(b"B"), BOLD);
        writer.finish();
        let packed = packed(&drawn(page, size.1));
        pdf.stream(content, &packed).filter(Filter::FlateDecode);
    }
    pdf.finish()
}

fn packed(content: &[u8]) -> Vec<u8> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
    // Writing into memory can't fail.
    let _ = encoder.write_all(content);
    encoder.finish().unwrap_or_default()
}

/// Page contents; PDF counts from the foot of the page.
fn drawn(page: &Page, height: f32) -> Vec<u8> {
    let mut content = Content::new();
    for op in &page.drawn {
        draw(op, height, &mut content);
    }
    for text in &page.texts {
        let font: &[u8] = if text.face == Face::Bold { b"B" } else { b"R" };
        write(&mut content, font, text.size, text.gray, (text.at.0, height - text.at.1), &text.line);
    }
    content.finish().into_vec()
}

fn write(content: &mut Content, font: &[u8], size: f32, gray: f32, at: (f32, f32), text: &str) {
    content.set_fill_gray(gray);
    content.begin_text().set_font(Name(font), size).next_line(at.0, at.1).show(Str(&bytes(text))).end_text();
}

fn draw(op: &Op, height: f32, content: &mut Content) {
    match op {
        Op::Line { from, to, thick, gray, dashed } => {
            content.save_state().set_line_width(*thick).set_stroke_gray(*gray);
            if *dashed {
                content.set_dash_pattern([2.5, 2.0], 0.0);
            }
            content.move_to(from.0, height - from.1).line_to(to.0, height - to.1).stroke().restore_state();
        }
        Op::Trail { points, thick } => {
            let Some((first, rest)) = points.split_first() else { return };
            content
                .save_state()
                .set_line_width(*thick)
                .set_stroke_gray(0.0)
                .move_to(first.0, height - first.1);
            content.set_line_join(pdf_writer::types::LineJoinStyle::RoundJoin);
            for point in rest {
                content.line_to(point.0, height - point.1);
            }
            content.stroke().restore_state();
        }
        Op::Fill { corners: [left, top, right, bottom], gray } => {
            content
                .set_fill_gray(*gray)
                .rect(*left, height - bottom, right - left, bottom - top)
                .fill_nonzero();
        }
        Op::Ring { at, radius } => {
            ring(content, (at.0, height - at.1), *radius);
        }
        Op::Text { at, size, text, .. } => {
            write(content, b"R", *size, 0.0, (at.0, height - at.1), text);
        }
    }
}

/// A circle of four curves, white inside.
fn ring(content: &mut Content, (x, y): (f32, f32), r: f32) {
    // The usual share by which four curves come close to a circle.
    let k = 0.552_285 * r;
    content.save_state().set_line_width(0.7).set_stroke_gray(0.0).set_fill_gray(1.0).move_to(x + r, y);
    content.cubic_to(x + r, y + k, x + k, y + r, x, y + r);
    content.cubic_to(x - k, y + r, x - r, y + k, x - r, y);
    content.cubic_to(x - r, y - k, x - k, y - r, x, y - r);
    content.cubic_to(x + k, y - r, x + r, y - k, x + r, y);
    content.fill_nonzero_and_stroke().restore_state();
}
