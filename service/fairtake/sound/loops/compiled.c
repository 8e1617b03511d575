/* The loops of this folder in C; plain.py says in numpy what each one gives.
 *
 * Every argument is memory of doubles without gaps, unless said. What is given is checked so far that
 * nothing outside it is touched; shapes and types are the business of compiled.py.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

/* Samples that are worked on together: what is made of them stays in the nearest memory. */
#define CHUNK 1024
#define MOST_BEFORE 64
/* Taps and phases, each with its mirror image, of the printed interpolator and of the closer one. */
#define TAPS 12
#define PHASES 2
#define CLOSE_TAPS 16
#define CLOSE_PHASES 6

/* The same instructions in a wider form too, chosen when the program is loaded, where that is to be had. */
#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

/* What a wider form is to hold as well has to stand in it. */
#if defined(__GNUC__)
#define INLINE static inline __attribute__((always_inline))
#else
#define INLINE static inline
#endif

static Py_ssize_t least(Py_ssize_t a, Py_ssize_t b) { return a < b ? a : b; }
static double most(double a, double b) { return a > b ? a : b; }

/* --- sections ----------------------------------------------------------------------------------- */

/* One section of b0, b1, b2, 1, a1, a2 in the transposed direct form II, turned so that the way from one
 * sample's state to the next is one product and one sum long: y = b0 x + z1 is not on it. */
typedef struct { double b0, c1, c2, a1, a2, z1, z2; } Section;

static Section opened(const double *c, const double *z)
{
    return (Section){c[0], c[1] - c[4] * c[0], c[2] - c[5] * c[0], c[4], c[5], z[0], z[1]};
}

static inline double next(Section *s, double x)
{
    double y = s->b0 * x + s->z1, z1 = s->c1 * x + s->z2 - s->a1 * s->z1;
    s->z2 = s->c2 * x - s->a2 * s->z1;
    s->z1 = z1;
    return y;
}

/* Two sections at a time: the second works on a sample while the first is at the one behind it. */
static void through(const double *sections, Py_ssize_t count, double *state,
                    const double *in, Py_ssize_t in_step, double *out, Py_ssize_t out_step, Py_ssize_t n)
{
    if (count == 0)
        for (Py_ssize_t i = 0; i < n; i++)
            out[i * out_step] = in[i * in_step];
    for (; count > 0; count -= 2, sections += 12, state += 4, in = out, in_step = out_step) {
        Section one = opened(sections, state);
        if (count == 1) {
            for (Py_ssize_t i = 0; i < n; i++)
                out[i * out_step] = next(&one, in[i * in_step]);
        } else {
            Section two = opened(sections + 6, state + 2);
            for (Py_ssize_t i = 0; i < n; i++)
                out[i * out_step] = next(&two, next(&one, in[i * in_step]));
            state[2] = two.z1;
            state[3] = two.z2;
        }
        state[0] = one.z1;
        state[1] = one.z2;
    }
}

static void recurse(const double *sections, Py_ssize_t count, double *state,
                    const double *block, Py_ssize_t frames, Py_ssize_t channels, double *out)
{
    for (Py_ssize_t c = 0; c < channels; c++)
        through(sections, count, state + 2 * count * c, block + c, channels, out + c, channels, frames);
}

static void filtered_energies(const double *sections, Py_ssize_t count, double *state,
                              const double *block, Py_ssize_t frames, Py_ssize_t channels,
                              const int64_t *starts, Py_ssize_t rows, double *energies)
{
    double chunk[CHUNK];
    for (Py_ssize_t row = 0; row < rows; row++) {
        Py_ssize_t stop = row + 1 < rows ? starts[row + 1] : frames;
        double energy = 0;
        for (Py_ssize_t c = 0; c < channels; c++)
            for (Py_ssize_t at = starts[row]; at < stop; at += CHUNK) {
                Py_ssize_t n = least(CHUNK, stop - at);
                through(sections, count, state + 2 * count * c, block + at * channels + c, channels, chunk, 1, n);
                #pragma omp simd reduction(+:energy)
                for (Py_ssize_t i = 0; i < n; i++)
                    energy += chunk[i] * chunk[i];
            }
        energies[row] = energy;
    }
}

/* --- rows --------------------------------------------------------------------------------------- */

typedef struct { double peak, energy, steps, sharp, sum; } Sums;

/* What n samples of one channel add up to; before them lie at least step + 1 others. */
static inline Sums sums_of(const double *v, Py_ssize_t n, Py_ssize_t step)
{
    double peak = 0, energy = 0, steps = 0, sharp = 0, sum = 0;
    #pragma omp simd reduction(+:energy, steps, sharp, sum) reduction(max:peak)
    for (Py_ssize_t i = 0; i < n; i++) {
        double size = fabs(v[i]), first = v[i] - v[i - 1];
        double second = first - (v[i - step] - v[i - step - 1]);
        peak = size > peak ? size : peak;
        energy += v[i] * v[i];
        steps += first * first;
        sharp += second * second;
        sum += v[i];
    }
    return (Sums){peak, energy, steps, sharp, sum};
}

/* The columns of out are rows long: peaks, energies, energies of the first difference, sharpness, and the
 * sum of each channel. *before* holds the last samples of each channel, and is brought up to date. */
WIDE static void row_sums(const double *block, Py_ssize_t frames, Py_ssize_t channels,
                     double *before, Py_ssize_t held, const int64_t *starts, Py_ssize_t rows, double *out)
{
    double chunk[MOST_BEFORE + CHUNK];
    for (Py_ssize_t row = 0; row < rows; row++) {
        Py_ssize_t stop = row + 1 < rows ? starts[row + 1] : frames;
        double peak = 0, energy = 0, steps = 0, sharp = 0;
        for (Py_ssize_t c = 0; c < channels; c++) {
            double *last = before + c * held, own_sharp = 0, sum = 0;
            for (Py_ssize_t at = starts[row]; at < stop; at += CHUNK) {
                Py_ssize_t n = least(CHUNK, stop - at);
                memcpy(chunk, last, held * sizeof *last);
                if (channels == 1)
                    memcpy(chunk + held, block + at, n * sizeof *block);
                else
                    for (Py_ssize_t i = 0; i < n; i++)
                        chunk[held + i] = block[(at + i) * channels + c];
                Sums found = sums_of(chunk + held, n, held - 1);
                peak = most(found.peak, peak);
                energy += found.energy;
                steps += found.steps;
                own_sharp += found.sharp;
                sum += found.sum;
                memcpy(last, chunk + n, held * sizeof *last);
            }
            sharp = most(own_sharp, sharp);
            out[(4 + c) * rows + row] = sum;
        }
        /* A comparison passes over what is no number; a sum of squares does not. */
        out[row] = isfinite(energy) ? peak : energy;
        out[rows + row] = energy;
        out[2 * rows + row] = steps;
        out[3 * rows + row] = sharp;
    }
}

/* The greatest of the samples of a span of one channel, *step* apart, and of what some phases and their mirror
 * images make of them. Of two that mirror each other, y and y', the halves of h[k] + h[last - k] over
 * x[k] + x[last - k], and of h[k] - h[last - k] over x[k] - x[last - k], are (y + y') / 2 and (y - y') / 2; the
 * greater of |y| and |y'| is the sum of their sizes. */
static inline double span_peak(const double *span, Py_ssize_t step, Py_ssize_t width, const double *halves,
                               const int phases, const int taps)
{
    double x[CHUNK + CLOSE_TAPS], peak = 0;
    for (Py_ssize_t at = 0; at < width; at += CHUNK) {
        Py_ssize_t n = least(CHUNK, width - at);
        for (Py_ssize_t i = 0; i < n + taps - 1; i++) {
            x[i] = span[(at + i) * step];
            peak = most(fabs(x[i]), peak);
        }
        for (int p = 0; p < phases; p++) {
            const double *even = halves + p * taps, *odd = even + taps / 2;
            #pragma omp simd reduction(max:peak)
            for (Py_ssize_t i = 0; i < n; i++) {
                double e = 0, o = 0;
                for (int k = 0; k < taps / 2; k++) {
                    e += even[k] * (x[i + k] + x[i + taps - 1 - k]);
                    o += odd[k] * (x[i + k] - x[i + taps - 1 - k]);
                }
                double y = fabs(e) + fabs(o);
                peak = y > peak ? y : peak;
            }
        }
    }
    return peak;
}

WIDE static void span_peaks(const double *joined, Py_ssize_t channels, const int64_t *starts, Py_ssize_t spans,
                       Py_ssize_t width, const double *halves, Py_ssize_t taps, double *peaks)
{
    for (Py_ssize_t s = 0; s < spans; s++) {
        peaks[s] = 0;
        for (Py_ssize_t c = 0; c < channels; c++) {
            /* Numbers that the compiler knows make the loop over the taps none. */
            const double *span = joined + starts[s] * channels + c;
            double found = taps == TAPS ? span_peak(span, channels, width, halves, PHASES, TAPS)
                                        : span_peak(span, channels, width, halves, CLOSE_PHASES, CLOSE_TAPS);
            peaks[s] = most(found, peaks[s]);
        }
    }
}

/* --- the table ---------------------------------------------------------------------------------- */

/* For each lag from *first* on, the sum over a window of each value times the one *lag* behind it; windows
 * begin *hop* values apart. Sums of *hop* products serve all windows that they lie in. */
static void lag_sums(const double *values, Py_ssize_t windows, Py_ssize_t hop, Py_ssize_t width,
                     Py_ssize_t first, Py_ssize_t lags, double *out)
{
    double parts[2 * CHUNK];
    for (Py_ssize_t lag = first; lag < first + lags; lag++, out += windows) {
        Py_ssize_t whole = (width - lag) / hop, rest = (width - lag) % hop;
        for (Py_ssize_t at = 0; at < windows; at += CHUNK) {
            Py_ssize_t n = least(CHUNK, windows - at);
            const double *x = values + at * hop;
            for (Py_ssize_t part = 0; part < n + whole - 1; part++, x += hop) {
                parts[part] = 0;
                for (Py_ssize_t i = 0; i < hop; i++)
                    parts[part] += x[i] * x[i + lag];
            }
            for (Py_ssize_t w = 0; w < n; w++) {
                double sum = 0;
                for (Py_ssize_t part = 0; part < whole; part++)
                    sum += parts[w + part];
                x = values + (at + w + whole) * hop;
                for (Py_ssize_t i = 0; i < rest; i++)
                    sum += x[i] * x[i + lag];
                out[at + w] = sum;
            }
        }
    }
}

/* *taps* are the weights turned round. Sixteen sums at a time stay where they are added up. */
#define TOGETHER 16
WIDE static void weigh(const double *values, Py_ssize_t count, const double *taps, Py_ssize_t width, double *out)
{
    Py_ssize_t at = 0, last = count - width;
    for (; at + TOGETHER - 1 <= last; at += TOGETHER) {
        double sums[TOGETHER] = {0};
        for (Py_ssize_t k = 0; k < width; k++)
            for (int i = 0; i < TOGETHER; i++)
                sums[i] += taps[k] * values[at + i + k];
        memcpy(out + at, sums, sizeof sums);
    }
    for (; at <= last; at++) {
        out[at] = 0;
        for (Py_ssize_t k = 0; k < width; k++)
            out[at] += taps[k] * values[at + k];
    }
}

#define NOTHING 2e-6

static void decay(const double *values, Py_ssize_t count, double kept, double *out)
{
    double here = 0;
    for (Py_ssize_t i = 0; i < count; i++) {
        here = most(kept * here, values[i]);
        out[i] = here > NOTHING ? here : 0;
    }
}

/* --- samples ------------------------------------------------------------------------------------ */

WIDE static void unpack(const uint8_t *raw, double *samples, Py_ssize_t count)
{
    for (Py_ssize_t i = 0; i < count; i++, raw += 3) {
        uint32_t upper = (uint32_t)raw[0] << 8 | (uint32_t)raw[1] << 16 | (uint32_t)raw[2] << 24;
        samples[i] = (int32_t)upper * (1.0 / 2147483648.0);
    }
}

/* *factors* holds one for the begin of each row, of which there are a thousand in *rate* samples. */
static void ramp(const double *block, Py_ssize_t frames, Py_ssize_t channels,
                 const double *factors, Py_ssize_t rate, double *out)
{
    double on = 1000.0 / rate;
    for (Py_ssize_t at = 0, row = 0; at < frames; row++) {
        Py_ssize_t n = least(((row + 1) * rate + 999) / 1000, frames) - at;
        double way = (double)(at * 1000 - row * rate) / rate, rise = factors[row + 1] - factors[row];
        for (Py_ssize_t c = 0; c < channels; c++)
            for (Py_ssize_t i = 0; i < n; i++) {
                Py_ssize_t here = (at + i) * channels + c;
                out[here] = block[here] * (factors[row] + rise * (way + on * i));
            }
        at += n;
    }
}

/* A double so great that adding it rounds to whole numbers, ties to even; exact up to 2^51. */
#define ROUNDING 6755399441055744.0

static inline double rounded(double x, const uint16_t *random, Py_ssize_t i, Py_ssize_t count, double steps)
{
    double value = x * steps + (float)((int)random[i] - (int)random[count + i]) * (1.0f / 65536);
    value = value < -steps ? -steps : value > steps - 1 ? steps - 1 : value;
    return value + ROUNDING - ROUNDING;
}

WIDE static void quantise(const double *block, const uint16_t *random, Py_ssize_t count, double steps,
                     int16_t *narrow, int32_t *wide)
{
    if (narrow)
        for (Py_ssize_t i = 0; i < count; i++)
            narrow[i] = (int16_t)(int32_t)rounded(block[i], random, i, count, steps);
    else
        for (Py_ssize_t i = 0; i < count; i++)
            wide[i] = (int32_t)rounded(block[i], random, i, count, steps);
}

/* --- bands -------------------------------------------------------------------------------------- */

/* Frames are transformed sixteen at a time, side by side: the first half of them as the real part of eight
 * signals, the others as the imaginary part. A run of INNER values stays in the nearest memory. */
#define LANES 8
#define INNER 256
#define MOST_BANDS 64

/* The butterflies of the steps from pairs *from* apart to *to* apart, for the values from *begin* up to *end*. */
INLINE void butterflies(float *re, float *im, Py_ssize_t begin, Py_ssize_t end, Py_ssize_t from,
                        Py_ssize_t to, Py_ssize_t size, const float *turns)
{
    for (Py_ssize_t half = from; half <= to; half *= 2)
        for (Py_ssize_t i = begin; i < end; i += 2 * half)
            for (Py_ssize_t j = 0; j < half; j++) {
                const float *turn = turns + 2 * j * (size / (2 * half)), c = turn[0], s = turn[1];
                float *ar = re + (i + j) * LANES, *ai = im + (i + j) * LANES;
                float *br = ar + half * LANES, *bi = ai + half * LANES;
                #pragma omp simd
                for (int l = 0; l < LANES; l++) {
                    float xr = c * br[l] - s * bi[l], xi = c * bi[l] + s * br[l];
                    br[l] = ar[l] - xr, bi[l] = ai[l] - xi;
                    ar[l] += xr, ai[l] += xi;
                }
            }
}

WIDE static void band_sums(const float *x, const int64_t *starts, Py_ssize_t frames, const float *window,
                           Py_ssize_t width, const float *turns, Py_ssize_t size, const float *shares,
                           Py_ssize_t bins, Py_ssize_t bands, float *work, float *out)
{
    float *re = work, *im = work + size * LANES;
    for (Py_ssize_t first = 0; first < frames; first += 2 * LANES) {
        const float *from[2 * LANES];
        for (int l = 0; l < 2 * LANES; l++)
            from[l] = x + starts[least(first + l, frames - 1)];
        for (Py_ssize_t n = 0, place = 0; n < size; n++) {
            for (int l = 0; l < LANES; l++) {
                re[place * LANES + l] = n < width ? window[n] * from[l][n] : 0;
                im[place * LANES + l] = n < width ? window[n] * from[LANES + l][n] : 0;
            }
            /* The next place with its bits turned round. */
            Py_ssize_t bit = size / 2;
            for (; bit && (place & bit); bit /= 2)
                place ^= bit;
            place |= bit;
        }
        Py_ssize_t inner = least(size, INNER);
        for (Py_ssize_t begin = 0; begin < size; begin += inner)
            butterflies(re, im, begin, begin + inner, 1, inner / 2, size, turns);
        butterflies(re, im, 0, size, inner, size / 2, size, turns);

        float sums[MOST_BANDS][2 * LANES] = {{0}};
        for (Py_ssize_t k = 0; k < bins; k++) {
            const float *ar = re + k * LANES, *ai = im + k * LANES;
            const float *br = re + (size - k) % size * LANES, *bi = im + (size - k) % size * LANES;
            float power[2 * LANES];
            #pragma omp simd
            for (int l = 0; l < LANES; l++) {
                float a = ar[l] + br[l], b = ai[l] - bi[l], c = ai[l] + bi[l], d = br[l] - ar[l];
                power[l] = (a * a + b * b) / 4, power[LANES + l] = (c * c + d * d) / 4;
            }
            for (Py_ssize_t band = 0; band < bands; band++) {
                float share = shares[k * bands + band];
                if (share != 0)
                    #pragma omp simd
                    for (int l = 0; l < 2 * LANES; l++)
                        sums[band][l] += share * power[l];
            }
        }
        for (Py_ssize_t l = 0; l < least(2 * LANES, frames - first); l++)
            for (Py_ssize_t band = 0; band < bands; band++)
                out[(first + l) * bands + band] = sums[band][l];
    }
}

/* --- from Python -------------------------------------------------------------------------------- */

static PyObject *ended(Py_buffer *buffers, int count, int fits)
{
    while (count--)
        PyBuffer_Release(&buffers[count]);
    if (fits)
        Py_RETURN_NONE;
    PyErr_SetString(PyExc_ValueError, "the arrays do not fit together");
    return NULL;
}

/* Sizes so great would overflow where they are multiplied; nothing that is meant comes near. */
#define MOST_CHANNELS 1024
#define MOST_VALUES (PY_SSIZE_T_MAX / 4096)
#define MOST_RATE 100000000

static int within(Py_ssize_t value, Py_ssize_t from, Py_ssize_t to) { return from <= value && value <= to; }

static Py_ssize_t doubles(const Py_buffer *buffer) { return buffer->len / (Py_ssize_t)sizeof(double); }

/* Whether rows begin one after another, the first at or behind 0 and *width* before *frames* at the latest. */
static int ascend(const int64_t *starts, Py_ssize_t rows, Py_ssize_t width, Py_ssize_t frames, int strictly)
{
    for (Py_ssize_t row = 0; row < rows; row++)
        if (starts[row] < 0 || starts[row] > frames - width || (strictly && row && starts[row] <= starts[row - 1]))
            return 0;
    return 1;
}

static PyObject *py_recurse(PyObject *self, PyObject *args)
{
    Py_buffer b[4]; /* sections, state, block, out */
    Py_ssize_t channels;
    if (!PyArg_ParseTuple(args, "y*w*y*w*n", &b[0], &b[1], &b[2], &b[3], &channels))
        return NULL;
    Py_ssize_t count = doubles(&b[0]) / 6;
    int fits = within(channels, 1, MOST_CHANNELS) && doubles(&b[2]) % channels == 0 && b[3].len == b[2].len
        && doubles(&b[1]) == 2 * count * channels;
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        recurse(b[0].buf, count, b[1].buf, b[2].buf, doubles(&b[2]) / channels, channels, b[3].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 4, fits);
}

static PyObject *py_filtered_energies(PyObject *self, PyObject *args)
{
    Py_buffer b[5]; /* sections, state, block, starts, energies */
    Py_ssize_t channels;
    if (!PyArg_ParseTuple(args, "y*w*y*y*w*n", &b[0], &b[1], &b[2], &b[3], &b[4], &channels))
        return NULL;
    Py_ssize_t count = doubles(&b[0]) / 6, rows = doubles(&b[3]);
    int fits = within(channels, 1, MOST_CHANNELS) && doubles(&b[2]) % channels == 0 && doubles(&b[4]) == rows
        && doubles(&b[1]) == 2 * count * channels
        && ascend(b[3].buf, rows, 1, doubles(&b[2]) / channels, 1);
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        filtered_energies(b[0].buf, count, b[1].buf, b[2].buf, doubles(&b[2]) / channels, channels,
                          b[3].buf, rows, b[4].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 5, fits);
}

static PyObject *py_row_sums(PyObject *self, PyObject *args)
{
    Py_buffer b[4]; /* block, before, starts, out */
    Py_ssize_t channels;
    if (!PyArg_ParseTuple(args, "y*w*y*w*n", &b[0], &b[1], &b[2], &b[3], &channels))
        return NULL;
    Py_ssize_t rows = doubles(&b[2]), held = channels > 0 ? doubles(&b[1]) / channels : 0;
    int fits = within(channels, 1, MOST_CHANNELS) && within(held, 2, MOST_BEFORE)
        && held * channels == doubles(&b[1])
        && doubles(&b[0]) % channels == 0 && doubles(&b[3]) == rows * (4 + channels)
        && ascend(b[2].buf, rows, 1, doubles(&b[0]) / channels, 1);
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        row_sums(b[0].buf, doubles(&b[0]) / channels, channels, b[1].buf, held, b[2].buf, rows, b[3].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 4, fits);
}

static PyObject *py_span_peaks(PyObject *self, PyObject *args)
{
    Py_buffer b[4]; /* joined, starts, halves of the phases, peaks */
    Py_ssize_t width, channels;
    if (!PyArg_ParseTuple(args, "y*y*y*w*nn", &b[0], &b[1], &b[2], &b[3], &width, &channels))
        return NULL;
    Py_ssize_t spans = doubles(&b[1]), halves = doubles(&b[2]);
    Py_ssize_t taps = halves == PHASES * TAPS ? TAPS : CLOSE_TAPS;
    int fits = within(channels, 1, MOST_CHANNELS) && within(width, 1, MOST_VALUES)
        && doubles(&b[0]) % channels == 0 && (taps == TAPS || halves == CLOSE_PHASES * CLOSE_TAPS)
        && doubles(&b[3]) == spans
        && ascend(b[1].buf, spans, width + taps - 1, doubles(&b[0]) / channels, 0);
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        span_peaks(b[0].buf, channels, b[1].buf, spans, width, b[2].buf, taps, b[3].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 4, fits);
}

static PyObject *py_lag_sums(PyObject *self, PyObject *args)
{
    Py_buffer b[2]; /* values, out */
    Py_ssize_t windows, hop, width, first, lags;
    if (!PyArg_ParseTuple(args, "y*w*nnnnn", &b[0], &b[1], &windows, &hop, &width, &first, &lags))
        return NULL;
    int fits = within(windows, 0, MOST_VALUES) && within(width, 1, CHUNK) && within(hop, 1, width)
        && within(first, 0, width) && within(lags, 0, width) && first + lags + hop <= width + 1
        && doubles(&b[0]) >= (windows - 1) * hop + width && doubles(&b[1]) == lags * windows;
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        lag_sums(b[0].buf, windows, hop, width, first, lags, b[1].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 2, fits);
}

static PyObject *py_weigh(PyObject *self, PyObject *args)
{
    Py_buffer b[3]; /* values, taps, out */
    if (!PyArg_ParseTuple(args, "y*y*w*", &b[0], &b[1], &b[2]))
        return NULL;
    Py_ssize_t count = doubles(&b[0]), width = doubles(&b[1]);
    int fits = within(width, 1, count) && doubles(&b[2]) == count - width + 1;
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        weigh(b[0].buf, count, b[1].buf, width, b[2].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 3, fits);
}

static PyObject *py_decay(PyObject *self, PyObject *args)
{
    Py_buffer b[2]; /* values, out */
    double kept;
    if (!PyArg_ParseTuple(args, "y*w*d", &b[0], &b[1], &kept))
        return NULL;
    int fits = b[0].len == b[1].len;
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        decay(b[0].buf, doubles(&b[0]), kept, b[1].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 2, fits);
}

static PyObject *py_unpack(PyObject *self, PyObject *args)
{
    Py_buffer b[2]; /* bytes, samples */
    if (!PyArg_ParseTuple(args, "y*w*", &b[0], &b[1]))
        return NULL;
    int fits = b[0].len == 3 * doubles(&b[1]);
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        unpack(b[0].buf, b[1].buf, doubles(&b[1]));
        Py_END_ALLOW_THREADS
    }
    return ended(b, 2, fits);
}

static PyObject *py_ramp(PyObject *self, PyObject *args)
{
    Py_buffer b[3]; /* block, factors, out */
    Py_ssize_t rate, channels;
    if (!PyArg_ParseTuple(args, "y*y*w*nn", &b[0], &b[1], &b[2], &rate, &channels))
        return NULL;
    Py_ssize_t frames = channels > 0 ? doubles(&b[0]) / channels : 0;
    int fits = within(channels, 1, MOST_CHANNELS) && within(rate, 1000, MOST_RATE)
        && within(frames, 0, MOST_VALUES) && frames * channels == doubles(&b[0]) && b[2].len == b[0].len
        && doubles(&b[1]) > (frames * 1000 + rate - 1) / rate;
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        ramp(b[0].buf, frames, channels, b[1].buf, rate, b[2].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 3, fits);
}

static PyObject *py_quantise(PyObject *self, PyObject *args)
{
    Py_buffer b[3]; /* block, random numbers of 16 bits, codes of 16 or 32 */
    double steps;
    if (!PyArg_ParseTuple(args, "y*y*w*d", &b[0], &b[1], &b[2], &steps))
        return NULL;
    Py_ssize_t count = doubles(&b[0]);
    int narrow = b[2].len == 2 * count, fits = b[1].len >= 4 * count && (narrow || b[2].len == 4 * count);
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        quantise(b[0].buf, b[1].buf, count, steps, narrow ? b[2].buf : NULL, narrow ? NULL : b[2].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 3, fits);
}

static Py_ssize_t floats(const Py_buffer *buffer) { return buffer->len / (Py_ssize_t)sizeof(float); }

static PyObject *py_band_sums(PyObject *self, PyObject *args)
{
    Py_buffer b[7]; /* floats: samples; starts; floats: window, turns, shares, room to work, out */
    Py_ssize_t bands;
    if (!PyArg_ParseTuple(args, "y*y*y*y*y*w*w*n", &b[0], &b[1], &b[2], &b[3], &b[4], &b[5], &b[6], &bands))
        return NULL;
    Py_ssize_t size = floats(&b[3]), frames = doubles(&b[1]), width = floats(&b[2]);
    int fits = within(bands, 1, MOST_BANDS) && within(size, 2, MOST_VALUES) && !(size & (size - 1))
        && within(width, 1, size) && floats(&b[4]) % bands == 0 && floats(&b[4]) / bands <= size / 2 + 1
        && floats(&b[5]) == 2 * LANES * size && floats(&b[6]) == frames * bands
        && ascend(b[1].buf, frames, width, floats(&b[0]), 0);
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        band_sums(b[0].buf, b[1].buf, frames, b[2].buf, width, b[3].buf, size, b[4].buf,
                  floats(&b[4]) / bands, bands, b[5].buf, b[6].buf);
        Py_END_ALLOW_THREADS
    }
    return ended(b, 7, fits);
}

static PyMethodDef methods[] = {
    {"recurse", py_recurse, METH_VARARGS, NULL},
    {"filtered_energies", py_filtered_energies, METH_VARARGS, NULL},
    {"row_sums", py_row_sums, METH_VARARGS, NULL},
    {"span_peaks", py_span_peaks, METH_VARARGS, NULL},
    {"lag_sums", py_lag_sums, METH_VARARGS, NULL},
    {"weigh", py_weigh, METH_VARARGS, NULL},
    {"decay", py_decay, METH_VARARGS, NULL},
    {"unpack", py_unpack, METH_VARARGS, NULL},
    {"ramp", py_ramp, METH_VARARGS, NULL},
    {"quantise", py_quantise, METH_VARARGS, NULL},
    {"band_sums", py_band_sums, METH_VARARGS, NULL},
    {NULL, NULL, 0, NULL},
};

static PyModuleDef module = {PyModuleDef_HEAD_INIT, "_compiled", NULL, 0, methods, NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit__compiled(void) { return PyModule_Create(&module); }
