//! The reader of messages, and the proposals of probes.

use heapward::ingest::decode::{Decoded, decode};
use heapward::ingest::mapping::Mapping;
use heapward::ingest::suggest::suggest;

use super::{corpus, mutate, repeat, seed};

#[test]
fn no_message_makes_the_reader_panic_or_give_what_is_no_number() {
    let probes: Vec<Mapping> = corpus::probes().iter().map(|probe| Mapping::new(probe).unwrap()).collect();
    let good = corpus::good();
    let mut random = mutate::Random::new(seed("decoder"));
    let mut readings = 0_u64;
    let runs = repeat(|n| {
        let mut message = random.one_of(&good).clone();
        if n % 16 != 0 {
            mutate::mutate(&mut message, &good, &mut random);
        }
        let mapping = random.one_of(&probes);
        if let Decoded::Samples { samples, .. } = decode("quillback/k1", &message, mapping) {
            assert!(samples.len() <= 1_001);
            readings += u64::try_from(samples.len()).unwrap();
            assert!(samples.iter().all(|sample| sample.value.is_finite()));
        }
        for proposal in suggest("quillback/k1", &message, None).proposals {
            assert!(proposal.value.is_finite());
        }
    });
    println!("decoder: {runs} messages, {readings} readings");
    assert!(readings > 0);
}
