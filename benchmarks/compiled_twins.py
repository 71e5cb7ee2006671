"""The flights in C, compiled on the spot: what a program for the same laws makes of the same processor.

Both twins take the classical fourth-order Runge-Kutta method, with about as many steps as an error of 1e-6 wants: 8 and
48 in path length for the two-stage law, one flight after another; 176 on the library's own clock for the air-stream
law, eight flights side by side in the lanes of the processor's vector registers. They land on a cubic polynomial of the
last step. The air-stream twin also flies in the plane of the wind's frame.
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
#define W 8
typedef double Lanes __attribute__((vector_size(8 * W)));
typedef struct { Lanes u, w, n, x, z; } State;
typedef struct { Lanes level, up, half, widening, gain, drag, near, flat, frame, broken, pace; } Case;
static inline Lanes roots(Lanes a) {
    Lanes r;
    #pragma GCC unroll 1
    for (int k = 0; k < W; k++) r[k] = sqrt(a[k]);
    return r;
}
/* Rates per step at a step number of the cubic clock. */
static inline State rate(State s, double number, const Case *c) {
    double turn = STEPS, sum = number + turn, share = number / sum;
    Lanes time = c->broken + c->pace * (number * share * share);
    Lanes pace = c->pace * (share * share * (number + 3 * turn) / sum);
    Lanes mx = c->level - s.u, mz = c->up - G * time - s.w, b = c->half + c->widening * time, arm = s.n / b;
    Lanes f = c->gain / (b * roots(roots(mx * mx + mz * mz + arm * arm + 1e-24)));
    Lanes h = c->frame * mx / (mx * mx + mz * mz + 1e-6);
    f = roots(h * h + f * f) - h;
    Lanes p = s.u - f * mx, q = s.w - f * mz, square = p * p + q * q, flat = c->flat * square * square;
    Lanes root = roots(roots(square)) + c->near;
    Lanes k = (c->broken / time - 1) * c->drag * root * root * (2.5 - 1.5 / (1 + flat));
    State d = {pace * k * p, pace * (k * q - G), pace * (s.w * mx - s.u * mz), pace * s.u, pace * s.w};
    return d;
}
static inline State add(State s, State d, double h) {
    State e = {s.u + h * d.u, s.w + h * d.w, s.n + h * d.n, s.x + h * d.x, s.z + h * d.z};
    return e;
}
typedef struct { double goal, core, core_x, wind, size, along; int flies; } Lane;
/* A flight at its breakup, in one lane. */
static Lane start(int k, State *s, Case *c, double speed, double elevation, double height, double target, double core,
                  double along, double across) {
    double angle = elevation * 0.017453292519943295, level = speed * cos(angle), up = speed * sin(angle);
    double t = core / speed, whole = arc(level, up);
    for (int j = 0; j < 5; j++)
        t -= (whole - arc(level, up - G * t) - core) / sqrt(level * level + (up - G * t) * (up - G * t));
    double wind = level - along, size = sqrt(wind * wind + across * across), w = up - G * t;
    double z = height + t * (up - G * t / 2), end = w * w + 2 * G * (z - target);
    s->u[k] = size, s->w[k] = w, s->n[k] = 0, s->x[k] = 0, s->z[k] = z;
    c->level[k] = size, c->up[k] = up, c->broken[k] = t;
    c->pace[k] = end < 0 ? 0 : (w + sqrt(end)) / G / (STEPS * 0.25);
    Lane lane = {target, t, level * t, wind, size, along, end >= 0};
    return lane;
}
static double landed(int k, const Lane *lane, State s, State k1, State e, State k4, double pace, double number) {
    double u = root(s.z[k] - lane->goal, k1.z[k], e.z[k] - lane->goal, k4.z[k]), at = number + u;
    double share = at / (at + STEPS), time = pace * at * share * share;
    double way = cubic(s.x[k], k1.x[k], e.x[k], k4.x[k], u);
    return lane->core_x + way * (lane->size > 0 ? lane->wind / lane->size : 1) + lane->along * time;
}
void fly(long n, int threads, const double *speed, const double *elevation, const double *height, const double *target,
         const double *core, const double *along, const double *across, const double *half, const double *widening,
         const double *gain, const double *drag, const double *near, const double *flat, const double *frame,
         double *reach) {
    #pragma omp parallel for num_threads(threads) schedule(static)
    for (long first = 0; first < n; first += W) {
        State s, e;
        Case c;
        Lane lanes[W];
        int flying = 0;
        for (int k = 0; k < W; k++) {
            long i = first + k < n ? first + k : n - 1;
            c.half[k] = half[i], c.widening[k] = widening[i], c.gain[k] = gain[i], c.drag[k] = drag[i];
            c.near[k] = near[i], c.flat[k] = flat[i], c.frame[k] = frame[i];
            lanes[k] = start(k, &s, &c, speed[i], elevation[i], height[i], target[i], core[i], along[i], across[i]);
            reach[i] = -1;
            flying += lanes[k].flies;
        }
        double number = 0;
        State k1 = rate(s, 0, &c), k4;
        for (int j = 0; j < 100 * STEPS && flying; j++, number++) {
            State k2 = rate(add(s, k1, 0.5), number + 0.5, &c), k3 = rate(add(s, k2, 0.5), number + 0.5, &c);
            k4 = rate(add(s, k3, 1), number + 1, &c);
            e = add(add(add(add(s, k1, 1. / 6), k2, 1. / 3), k3, 1. / 3), k4, 1. / 6);
            k4 = rate(e, number + 1, &c);
            for (int k = 0; k < W; k++)
                if (lanes[k].flies && e.w[k] < 0 && e.z[k] <= lanes[k].goal) {
                    long i = first + k < n ? first + k : n - 1;
                    if (s.z[k] > lanes[k].goal) reach[i] = landed(k, &lanes[k], s, k1, e, k4, c.pace[k], number);
                    lanes[k].flies = 0, flying--;
                }
            s = e;
            k1 = k4;
        }
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
