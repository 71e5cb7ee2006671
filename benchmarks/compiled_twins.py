"""The flights in C, compiled on the spot: what a plain program for the same laws makes of the same processor.

Both twins take the classical fourth-order Runge-Kutta method, one flight after another, with about as many steps as an
error of 1e-6 wants: 8 and 48 in path length for the two-stage law, 176 on the library's own clock for the air-stream
law. They land on a cubic polynomial of the last step. The air-stream twin also flies in the plane of the wind's frame.
"""

import ctypes
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Twin = Callable[[tuple[Array, ...], int], Array]
OPTIONS = ("-O3", "-march=native", "-ffast-math", "-fopenmp", "-shared", "-fPIC")

_HEAD = r"""
#include <math.h>
#include <omp.h>
#define G 9.80665
static inline double cubic(double p, double dp, double q, double dq, double u) {
    double a = 1 - u;
    return a * a * (p * (1 + 2 * u) + dp * u) + u * u * (q * (1 + 2 * a) - dq * a);
}
/* Where a cubic with these ends and slopes falls through nought. */
static inline double root(double p, double dp, double q, double dq) {
    double b2 = 3 * (q - p) - 2 * dp - dq, b3 = dp + dq - 2 * (q - p), u = 1;
    for (int j = 0; j < 5; j++) u -= (p + u * (dp + u * (b2 + u * b3))) / (dp + u * (2 * b2 + u * 3 * b3));
    return u;
}
static double arc(double along, double up) {
    return (up * sqrt(along * along + up * up) + along * along * asinh(up / along)) / (2 * G);
}
"""

TWO_STAGE = (
    _HEAD
    + r"""
typedef struct { double x, y, z, u, v, w, t; } State;
static inline State rate(State s, double k, double a, double c) {
    double inverse = 1 / sqrt(s.u * s.u + s.v * s.v + s.w * s.w);
    double p = s.u - a, q = s.v - c, f = -k * sqrt(p * p + q * q + s.w * s.w) * inverse;
    State d = {s.u * inverse, s.v * inverse, s.w * inverse, f * p, f * q, f * s.w - G * inverse, inverse};
    return d;
}
static inline State add(State s, State d, double h) {
    State e = {s.x + h * d.x, s.y + h * d.y, s.z + h * d.z, s.u + h * d.u, s.v + h * d.v, s.w + h * d.w, s.t + h * d.t};
    return e;
}
static inline State step(State s, double h, double k, double a, double c) {
    State k1 = rate(s, k, a, c), k2 = rate(add(s, k1, h / 2), k, a, c);
    State k3 = rate(add(s, k2, h / 2), k, a, c), k4 = rate(add(s, k3, h), k, a, c);
    return add(add(add(add(s, k1, h / 6), k2, h / 3), k3, h / 3), k4, h / 6);
}
void fly(long n, int threads, const double *speed, const double *elevation, const double *height, const double *target,
         const double *core, const double *along, const double *across, const double *drag, double *reach) {
    #pragma omp parallel for num_threads(threads) schedule(static)
    for (long i = 0; i < n; i++) {
        double angle = elevation[i] * 0.017453292519943295, level = speed[i] * cos(angle), up = speed[i] * sin(angle);
        State s = {0, 0, height[i], level, 0, up, 0}, e;
        for (int j = 0; j < 8; j++) s = step(s, core[i] / 8, 0, 0, 0);
        /* The drag-free path to the target is longer than the flown one in all but tail winds. */
        double end = s.w * s.w + 2 * G * (s.z - target[i]);
        reach[i] = -1;
        if (end < 0) continue;
        double h = (arc(level, s.w) + arc(level, sqrt(end))) / 48, k = drag[i], a = along[i], c = across[i];
        for (int j = 0; j < 4800; j++) {
            e = step(s, h, k, a, c);
            if (e.w < 0 && e.z <= target[i]) break;
            s = e;
        }
        if (e.z > target[i] || s.z <= target[i]) continue;
        State p = rate(s, k, a, c), q = rate(e, k, a, c);
        double u = root(s.z - target[i], h * p.z, e.z - target[i], h * q.z);
        reach[i] = cubic(s.x, h * p.x, e.x, h * q.x, u);
    }
}
"""
)

AIR_STREAM = (
    _HEAD
    + r"""
#define STEPS 176
typedef struct { double u, w, n, x, z; } State;
typedef struct { double level, up, half, widening, gain, drag, near, flat, frame, broken, pace; } Case;
/* Rates per step at a step number of the cubic clock. */
static inline State rate(State s, double number, const Case *c) {
    double turn = STEPS, sum = number + turn, share = number / sum;
    double time = c->broken + c->pace * number * share * share;
    double pace = c->pace * share * share * (number + 3 * turn) / sum;
    double mx = c->level - s.u, mz = c->up - G * time - s.w, b = c->half + c->widening * time, arm = s.n / b;
    double f = c->gain / (b * sqrt(sqrt(mx * mx + mz * mz + arm * arm + 1e-24)));
    double h = c->frame * mx / (mx * mx + mz * mz + 1e-6);
    f = sqrt(h * h + f * f) - h;
    double p = s.u - f * mx, q = s.w - f * mz, square = p * p + q * q, flat = c->flat * square * square;
    double root = sqrt(sqrt(square)) + c->near;
    double k = (c->broken / time - 1) * c->drag * root * root * (2.5 - 1.5 / (1 + flat));
    State d = {pace * k * p, pace * (k * q - G), pace * (s.w * mx - s.u * mz), pace * s.u, pace * s.w};
    return d;
}
static inline State add(State s, State d, double h) {
    State e = {s.u + h * d.u, s.w + h * d.w, s.n + h * d.n, s.x + h * d.x, s.z + h * d.z};
    return e;
}
void fly(long n, int threads, const double *speed, const double *elevation, const double *height, const double *target,
         const double *core, const double *along, const double *across, const double *half, const double *widening,
         const double *gain, const double *drag, const double *near, const double *flat, const double *frame,
         double *reach) {
    #pragma omp parallel for num_threads(threads) schedule(static)
    for (long i = 0; i < n; i++) {
        double angle = elevation[i] * 0.017453292519943295, level = speed[i] * cos(angle), up = speed[i] * sin(angle);
        double t = core[i] / speed[i], whole = arc(level, up);
        for (int j = 0; j < 5; j++)
            t -= (whole - arc(level, up - G * t) - core[i]) / sqrt(level * level + (up - G * t) * (up - G * t));
        double wind = level - along[i], size = sqrt(wind * wind + across[i] * across[i]);
        State s = {size, up - G * t, 0, 0, height[i] + t * (up - G * t / 2)}, e;
        double end = s.w * s.w + 2 * G * (s.z - target[i]), number = 0;
        reach[i] = -1;
        if (end < 0) continue;
        Case c = {size, up, half[i], widening[i], gain[i], drag[i], near[i], flat[i], frame[i], t, 0};
        c.pace = (s.w + sqrt(end)) / G / (STEPS * 0.25);
        State k1 = rate(s, 0, &c), k4;
        for (int j = 0; j < 100 * STEPS; j++, number++) {
            State k2 = rate(add(s, k1, 0.5), number + 0.5, &c), k3 = rate(add(s, k2, 0.5), number + 0.5, &c);
            k4 = rate(add(s, k3, 1), number + 1, &c);
            e = add(add(add(add(s, k1, 1. / 6), k2, 1. / 3), k3, 1. / 3), k4, 1. / 6);
            k4 = rate(e, number + 1, &c);
            if (e.w < 0 && e.z <= target[i]) break;
            s = e;
            k1 = k4;
        }
        if (e.z > target[i] || s.z <= target[i]) continue;
        double u = root(s.z - target[i], k1.z, e.z - target[i], k4.z), share = (number + u) / (number + u + STEPS);
        double way = cubic(s.x, k1.x, e.x, k4.x, u), time = c.pace * (number + u) * share * share;
        reach[i] = level * t + way * (size > 0 ? wind / size : 1) + along[i] * time;
    }
}
"""
)


def compiled(source: str) -> Twin | None:
    """A twin in C as a function of its rows and the number of threads, or None without a compiler."""
    compiler = shutil.which("gcc")
    if compiler is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        code, library = Path(folder, "twin.c"), Path(folder, "twin.so")
        code.write_text(source, encoding="utf-8")
        subprocess.run([compiler, *OPTIONS, str(code), "-o", str(library), "-lm"], check=True)
        function = ctypes.CDLL(str(library)).fly

    def twin(rows: tuple[Array, ...], threads: int) -> Array:
        columns = [np.ascontiguousarray(row) for row in rows]
        reach = np.empty(columns[0].size)
        pointers = [column.ctypes.data_as(ctypes.POINTER(ctypes.c_double)) for column in (*columns, reach)]
        function(ctypes.c_long(reach.size), ctypes.c_int(threads), *pointers)
        return reach

    return twin
