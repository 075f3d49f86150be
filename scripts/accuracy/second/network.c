/* The three equations of the line network (channels, join, tail), integrated with an adaptive, L-stable Rosenbrock method of order 2
   (ROS2 of Verwer, Spee, Blom, Hundsdorfer, SIAM J Sci Comput 20 (1999) 1456-1480; its form is from memory, its order is tested).

   In: a line, its state, and what happens to it as series on an even grid. Out: pressures, flows and the growth of the filter on the
   same grid, up to the first alarm. Units: mmHg, mL, hours, mL/h; `dt_s` alone is in seconds. */

#include <math.h>

#define MOST 3
#define JOIN MOST
#define TAIL (MOST + 1)
#define STATES (MOST + 2)

typedef struct {
    int channels;
    int filter_at;          /* -1: none; a channel's number: in its tubing; channels: below the join */
    int mixes;              /* the channel whose flow makes the filter's deposit grow with time, or -1 */
    int latency;            /* grid steps that the limit must be exceeded for */
    double dt_s, atol, rtol;
    double compliance[MOST], half[MOST];    /* C(P) = compliance / (1 + P / half) */
    double tubing[MOST], filter, catheter, join_compliance, tail_compliance;
    double gain[MOST], zero[MOST];          /* reading = gain P + zero */
    double stroke_ml[MOST], stroke_share[MOST], stick_ml[MOST], stick_share[MOST], lag_s[MOST];
    double law_k, law_n, law_m, law_mix, uneven, uneven_ml, uneven_at, law_end;     /* growth with filtered volume */
    double time_k, time_n;                                                          /* growth with time while `mixes` flows */
} Line;

typedef struct {
    double pressure[STATES];
    double flow[MOST], phase[MOST], stuck[MOST], play[MOST];
    int over[MOST];
    double grown, filtered, jump, jump_ml;
    int alarms;             /* bits of the channels that alarmed */
    long steps;             /* inner steps, for those who wonder */
} State;

typedef struct {
    double c[MOST], g[MOST], q[MOST], head[MOST], gf, gc, out;
} Moment;

static double compliance_at(const Line *l, int i, double p) {
    return p > 0 ? l->compliance[i] / (1 + p / l->half[i]) : l->compliance[i];
}

static void slopes(const Line *l, const Moment *m, const double *p, double *f) {
    double join = -(p[JOIN] - p[TAIL]) * m->gf;
    for (int i = 0; i < l->channels; i++) {
        double flow = (p[i] + m->head[i] - p[JOIN]) * m->g[i];
        f[i] = (m->q[i] - flow) / compliance_at(l, i, p[i]);
        join += flow;
    }
    f[JOIN] = join / l->join_compliance;
    f[TAIL] = ((p[JOIN] - p[TAIL]) * m->gf - (p[TAIL] - m->out) * m->gc) / l->tail_compliance;
}

/* Solves (I - a J) k = r by elimination along the tree of the line; J is frozen at the step's start. */
static void solve(const Line *l, const Moment *m, double a, const double *r, double *k) {
    double tail_up = a * m->gf / l->tail_compliance, tail = 1 + tail_up + a * m->gc / l->tail_compliance;
    double down = a * m->gf / l->join_compliance, join = 1 + down, right = r[JOIN], b[MOST];
    for (int i = 0; i < l->channels; i++) {
        double up = a * m->g[i] / l->join_compliance;
        b[i] = a * m->g[i] / m->c[i];
        join += up - up * b[i] / (1 + b[i]);
        right += up * r[i] / (1 + b[i]);
    }
    join -= down * tail_up / tail;
    right += down * r[TAIL] / tail;
    k[JOIN] = right / join;
    k[TAIL] = (r[TAIL] + tail_up * k[JOIN]) / tail;
    for (int i = 0; i < l->channels; i++) k[i] = (r[i] + b[i] * k[JOIN]) / (1 + b[i]);
}

/* Advances the pressures by `span` hours; inputs stand still, the outlet goes from `out0` to `out1`. */
static void advance(const Line *l, State *s, Moment *m, double span, double out0, double out1) {
    const double gamma = 1 - M_SQRT1_2;
    double done = 0, h = span, *p = s->pressure;
    while (done < span * (1 - 1e-12)) {
        double f[STATES], k1[STATES], k2[STATES], there[STATES], r[STATES], error = 0;
        if (h > span - done) h = span - done;
        for (int i = 0; i < l->channels; i++) m->c[i] = compliance_at(l, i, p[i]);
        m->out = out0 + (out1 - out0) * done / span;
        slopes(l, m, p, f);
        solve(l, m, gamma * h, f, k1);
        for (int i = 0; i < STATES; i++) there[i] = i < l->channels || i >= MOST ? p[i] + h * k1[i] : p[i];
        m->out = out0 + (out1 - out0) * (done + h) / span;
        slopes(l, m, there, f);
        for (int i = 0; i < STATES; i++) r[i] = i < l->channels || i >= MOST ? f[i] - 2 * k1[i] : 0;
        solve(l, m, gamma * h, r, k2);
        for (int i = 0; i < STATES; i++) {
            if (i >= l->channels && i < MOST) continue;
            double e = fabs(0.5 * h * (k1[i] + k2[i])) / (l->atol + l->rtol * fabs(p[i]));
            if (e > error) error = e;
        }
        s->steps++;
        if (error > 1 && h > span * 1e-5) { h *= fmax(0.2, 0.9 / sqrt(error)); continue; }
        for (int i = 0; i < STATES; i++)
            if (i < l->channels || i >= MOST) p[i] += h * (1.5 * k1[i] + 0.5 * k2[i]);
        done += h;
        h *= error > 0.01 ? fmin(4, 0.9 / sqrt(error)) : 4;
    }
}

/* What pump i delivers in the next step at this rate, mL/h: lag, play, strokes, stick-slip. */
static double delivered(const Line *l, State *s, int i, double rate, double hours) {
    s->flow[i] = l->lag_s[i] > 0 && rate > 0 ? s->flow[i] + (rate - s->flow[i]) * (1 - exp(-l->dt_s / l->lag_s[i])) : rate;
    double q = s->flow[i];
    if (q <= 0) return q;
    if (s->play[i] > 0) { s->play[i] -= q * hours; return 0; }
    if (l->stroke_ml[i] > 0) {
        s->phase[i] = fmod(s->phase[i] + q * hours / l->stroke_ml[i], 1.0);
        double turn = 2 * M_PI * s->phase[i];
        q *= 1 + l->stroke_share[i] * (sin(turn) + 0.5 * sin(2 * turn));
    }
    if (l->stick_ml[i] > 0) {
        s->stuck[i] += l->stick_share[i] * q * hours;
        q *= 1 - l->stick_share[i];
        if (s->stuck[i] >= l->stick_ml[i]) { q += s->stuck[i] / hours; s->stuck[i] = 0; }
    }
    return q;
}

static void grow(const Line *l, State *s, double flow, double hours, double mixing) {
    double volume = flow > 0 ? flow * hours : 0, x = s->grown;
    s->filtered += volume;
    if (x < l->law_end) {
        double uneven = 1 + l->uneven * sin(2 * M_PI * (s->filtered / l->uneven_ml + l->uneven_at));
        double more = l->law_k * (l->law_mix * pow(x, l->law_n) + (1 - l->law_mix) * pow(x, l->law_m)) * uneven * volume;
        if (mixing > 0) more += l->time_k * pow(x, l->time_n) * hours;
        x += fmin(more, x);
    }
    if (s->jump > 0 && volume > 0) {
        double part = fmin(s->jump, s->jump * volume / s->jump_ml + 1e-4);
        s->jump -= part;
        x *= exp(part);
    }
    s->grown = fmin(x, 1e7);
}

/* Runs from grid point `from` to `to`; gives the grid point reached, `to` or that of the first alarm (s->alarms says whose).
   Series have `points` cells a channel: rate, limit, tubing factor, supply share, head; and one row each: outlet, catheter factor,
   filter factor. Out: pressure and flow a channel, filter growth, pressure at the join and in the tail. */
long run(const Line *l, State *s, long from, long to, long points, const double *rate, const double *limit, const double *tubing,
         const double *supply, const double *head, const double *outlet, const double *catheter, const double *filter,
         double *pressure, double *flow, double *grown, double *join, double *tail) {
    double hours = l->dt_s / 3600;
    s->alarms = 0;
    for (long k = from; k < to; k++) {
        Moment m;
        double through = s->grown * filter[k] * l->filter;
        m.gf = l->filter_at == l->channels ? 1 / through : 1 / 1e-3;
        m.gc = 1 / (l->catheter * catheter[k]);
        for (int i = 0; i < l->channels; i++) {
            long at = i * points + k;
            m.head[i] = head[at];
            m.g[i] = 1 / (l->tubing[i] * tubing[at] + (l->filter_at == i ? through : 0));
            m.q[i] = delivered(l, s, i, rate[at], hours) * supply[at];
            flow[at] = m.q[i];
        }
        advance(l, s, &m, hours, outlet[k], outlet[k + 1]);
        double passing = l->filter_at == l->channels ? (s->pressure[JOIN] - s->pressure[TAIL]) * m.gf
            : l->filter_at >= 0 ? (s->pressure[l->filter_at] + m.head[l->filter_at] - s->pressure[JOIN]) * m.g[l->filter_at] : 0;
        grow(l, s, passing, hours, l->mixes >= 0 ? m.q[l->mixes] : 0);
        grown[k + 1] = s->grown;
        join[k + 1] = s->pressure[JOIN];
        tail[k + 1] = s->pressure[TAIL];
        for (int i = 0; i < l->channels; i++) {
            long at = i * points + k;
            pressure[at + 1] = s->pressure[i];
            int over = rate[at] > 0 && limit[at] > 0 && l->gain[i] * s->pressure[i] + l->zero[i] > limit[at];
            s->over[i] = over ? s->over[i] + 1 : 0;
            if (s->over[i] > l->latency) s->alarms |= 1 << i;
        }
        if (s->alarms) return k + 1;
    }
    return to;
}
