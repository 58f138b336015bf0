//! The values of a sample as bytes: f64, little-endian, in the order of the
//! group's channels. Every bit comes back, those of NaN and -0.0 too.

/// Puts the bytes of `values` into `out`, in place of what was there.
pub(crate) fn write(values: &[f64], out: &mut Vec<u8>) {
    out.clear();
    out.extend(values.iter().flat_map(|v| v.to_le_bytes()));
}

/// The values; `None` unless there are exactly `count`.
pub(crate) fn read(bytes: &[u8], count: usize) -> Option<Vec<f64>> {
    let (whole, rest) = bytes.as_chunks::<8>();
    let fits = rest.is_empty() && whole.len() == count;
    fits.then(|| whole.iter().map(|b| f64::from_le_bytes(*b)).collect())
}
