//! What reading a message takes of memory at most, counted by the allocator of this program: bounded by the limits,
//! whatever comes in.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on stops with the place")]

#[path = "../fuzz/corpus.rs"]
mod corpus;
#[path = "../fuzz/mutate.rs"]
mod mutate;

use heapward::ingest::decode::decode;
use heapward::ingest::mapping::Mapping;
use heapward::ingest::suggest::suggest;
use heapward::limits::{EACH_MAX, JSON_VALUES_MAX, PAYLOAD_BYTES_MAX};
use peak_alloc::PeakAlloc;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// Of one value of a document: 32 bytes, with its name 56; a list that grows is there twice for a moment, and may have
/// room for as many again.
const BYTES_PER_VALUE: usize = 3 * 56;
/// A reading of a list, with the same room.
const BYTES_PER_READING: usize = 3 * 64;
/// Texts that are copied because they have escapes or other letters.
const BYTES_OF_TEXT: usize = 3 * PAYLOAD_BYTES_MAX;
const BYTES_MAX: usize = JSON_VALUES_MAX * BYTES_PER_VALUE + EACH_MAX * BYTES_PER_READING + BYTES_OF_TEXT;

/// What is allocated in the midst of something, beyond what was before.
fn peak(work: impl FnOnce()) -> usize {
    MEMORY.reset_peak_usage();
    let before = MEMORY.current_usage();
    work();
    MEMORY.peak_usage() - before
}

/// Documents that are as large in memory as their bytes can make them.
fn greedy() -> Vec<Vec<u8>> {
    let filled = |piece: &dyn Fn(usize) -> String, open: &str, close: &str| {
        let mut text = open.to_owned();
        for n in 0.. {
            let next = piece(n);
            if text.len() + next.len() + close.len() > PAYLOAD_BYTES_MAX {
                break;
            }
            text.push_str(&next);
        }
        (text.trim_end_matches(',').to_owned() + close).into_bytes()
    };
    let nested = |depth: usize| format!("{}{}", "[".repeat(depth), "]".repeat(depth));
    vec![
        filled(&|_| "0,".to_owned(), "[", "]"),
        filled(&|_| "[],".to_owned(), "[", "]"),
        filled(&|_| "{\"\":0},".to_owned(), "[", "]"),
        filled(&|n| format!("\"{n:x}\":0,"), "{", "}"),
        filled(&|n| format!("\"{n:x}\":{{}},"), "{\"readings\":[],", "}"),
        filled(&|_| "{\"c\":1,\"t\":1},".to_owned(), "{\"readings\":[", "]}"),
        filled(&|_| "{\"c\":1,\"t\":1777713300},".to_owned(), "{\"readings\":[", "]}"),
        filled(&|_| nested(13) + ",", "[", "]"),
        filled(&|_| "\\n".to_owned(), "\"", "\""),
        filled(&|_| "\"\\n\",".to_owned(), "[", "]"),
        filled(&|n| format!("\"\\u0061{n:x}\":\"\\n\","), "{", "}"),
        filled(&|_| "\u{130}".to_owned(), "", ""),
        filled(&|_| " ".to_owned(), "", "62.4"),
        filled(&|_| "A".to_owned(), "{\"data\":\"", "\"}"),
    ]
}

/// One test, since whatever runs beside it would be counted too.
#[test]
fn reading_a_message_takes_no_more_memory_than_its_limits_say() {
    let probes: Vec<Mapping> = corpus::probes().iter().map(|probe| Mapping::new(probe).unwrap()).collect();
    let (mut most, mut most_of_large) = (0, 0);
    let mut look = |payload: &[u8]| {
        for mapping in &probes {
            let peak = peak(|| drop(decode("quillback/k1", payload, mapping)));
            let most = if payload.len() > PAYLOAD_BYTES_MAX { &mut most_of_large } else { &mut most };
            *most = peak.max(*most);
        }
    };
    for payload in corpus::hostile().iter().chain(&greedy()) {
        look(payload);
    }
    let (mut good, mut random) = (corpus::good(), mutate::Random::new(20_261_126));
    good.extend(greedy());
    for _ in 0..2_000 {
        let mut payload = random.one_of(&good).clone();
        mutate::mutate(&mut payload, &good, &mut random);
        payload.truncate(PAYLOAD_BYTES_MAX);
        look(&payload);
    }
    println!(
        "at most {most} bytes for a message, {most_of_large} for one that is too large; allowed {BYTES_MAX}"
    );
    assert!(most <= BYTES_MAX);
    // It is refused before anything is done with it.
    assert_eq!(most_of_large, 0);

    // Proposals of probes go through the document once more.
    let proposals =
        greedy().iter().map(|payload| peak(|| drop(suggest("quillback/k1", payload, None)))).max().unwrap();
    println!("at most {proposals} bytes for proposals");
    assert!(proposals <= 2 * BYTES_MAX);
}
