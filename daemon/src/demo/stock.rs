//! What the piles of Quillback Farm are built of.

use super::heap::Mix;

/// Horse bedding, leaves and garden culls, well mixed: heats within two days and stays below 160 F.
pub const QUILLBACK: Mix = Mix {
    dry_kg: 1_400.0,
    moisture: 0.60,
    volume_m3: 6.1,
    degradable: 0.20,
    fast: 0.42,
    start_c: 41.0,
    vigour: 1.25,
    cover_w_per_k: 9.0,
};

/// Too much hen manure in it: rich, a little dry and hot from the start.
pub const HORSE_AND_HENS: Mix = Mix {
    dry_kg: 1_400.0,
    moisture: 0.55,
    volume_m3: 6.1,
    degradable: 0.32,
    fast: 0.5,
    start_c: 41.0,
    vigour: 1.15,
    cover_w_per_k: 11.0,
};

/// Last autumn's leaves after a week of rain: wet, dense and slow.
pub const WET_LEAVES: Mix = Mix {
    dry_kg: 1_050.0,
    moisture: 0.70,
    volume_m3: 4.6,
    degradable: 0.22,
    fast: 0.35,
    start_c: 16.0,
    vigour: 0.55,
    cover_w_per_k: 15.0,
};

/// Dry stable bedding that is mixed into a wet pile.
pub const DRY_MANURE: Mix = Mix {
    dry_kg: 550.0,
    moisture: 0.20,
    volume_m3: 2.6,
    degradable: 0.32,
    fast: 0.5,
    start_c: 18.0,
    vigour: 1.2,
    cover_w_per_k: 12.0,
};
