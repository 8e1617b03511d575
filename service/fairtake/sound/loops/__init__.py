"""The loops over every sample, and some over every row, which take most of the time of finishing a take.

Each is here twice, under the same name: in numpy (`plain`, which says what it gives), and in C
(`compiled`, built when fairtake is installed where there is a C compiler). Nobody needs a compiler: what
comes out is the same to rounding, and takes longer.

Conventions: a block has the shape (samples, channels) and rows, which are those of the millisecond table,
begin at *starts*; what a loop remembers from one block to the next is handed in and changed.
"""

from __future__ import annotations

from fairtake.sound.loops.plain import RowSums as RowSums

try:
    from fairtake.sound.loops import compiled as _loops

    COMPILED = True
except ImportError:
    from fairtake.sound.loops import plain as _loops  # type: ignore[no-redef]

    COMPILED = False

recurse, filtered_energies = _loops.recurse, _loops.filtered_energies
row_sums, span_peaks = _loops.row_sums, _loops.span_peaks
lag_sums, weigh, decay = _loops.lag_sums, _loops.weigh, _loops.decay
unpack, ramp, quantise = _loops.unpack, _loops.ramp, _loops.quantise
band_sums = _loops.band_sums
