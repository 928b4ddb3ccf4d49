/* Transmission of the isolator by the algebra of fluxsense/device/isolator.py, written out by hand.
 *
 * Per row: signal and idler frequencies (2 each), linewidths ka, kb (2 each), losses (2 each), couplings (2), pump
 * frequency, pump phase, link (re, im), through (re, im), cross (re, im): 22 numbers.  out: rows x 2 (S21, S12) x points.
 * Only the division is saved on, by multiplying with the conjugate over the squared modulus; complex products are left to
 * the compiler.
 */
#include <complex.h>
#include <math.h>

typedef double complex cplx;

void transmission(long rows, long points, const double *f, const double *p, cplx *out) {
  for (long n = 0; n < rows; n++, p += 22) {
    const double ka1 = p[4], ka2 = p[5], kb1 = p[6], kb2 = p[7], g1 = p[12], g2 = p[13];
    const double s1 = g1 * g1, s2 = g2 * g2;
    const cplx z = p[16] + I * p[17], t = p[18] + I * p[19], c = p[20] + I * p[21];
    const cplx e = 1.0 - z * z, s = 0.5 * (1.0 + z * z), quarter = 0.25 * e * kb1 * kb2;
    const cplx across = -z * sqrt(ka1 * ka2 * kb1 * kb2) * g1 * g2;
    const cplx turn = cos(p[15]) + I * sin(p[15]);
    const cplx to2 = across * turn, to1 = across * conj(turn);
    const cplx both = t * c, tt = t * t, cc = c * c;
    const cplx forward = tt * to2 + cc * to1, backward = cc * to2 + tt * to1;
    const double l1 = 0.5 * (ka1 + p[8]), l2 = 0.5 * (ka2 + p[9]), h1 = 0.5 * p[10], h2 = 0.5 * p[11];
    cplx *s21 = out + 2 * n * points, *s12 = s21 + points;
    for (long k = 0; k < points; k++) {
      const cplx a1 = l1 - I * (f[k] - p[0]), a2 = l2 - I * (f[k] - p[1]);
      const cplx d1 = h1 - I * (f[k] + p[14] - p[2]), d2 = h2 - I * (f[k] + p[14] - p[3]);
      const cplx n11 = s * kb2 + e * d2, n22 = s * kb1 + e * d1;
      const cplx den = quarter + e * d1 * d2 + s * (kb1 * d2 + kb2 * d1);
      const cplx u = den * a2 + s2 * n22, v = den * a1 + s1 * n11;
      const cplx det = a1 * u + s1 * a2 * n11 + s1 * s2 * e;
      const double norm = 1.0 / (creal(det) * creal(det) + cimag(det) * cimag(det));
      const cplx inverse = norm * conj(det);
      const cplx direct = both * (2.0 - (ka1 * u + ka2 * v) * inverse);
      s21[k] = direct + forward * inverse;
      s12[k] = direct + backward * inverse;
    }
  }
}
