/*
 * The live view of a search in a terminal: what is on trial, how long it will take, what happened last.
 *
 * hf_live_frame() is a pure function from a state and a terminal's size to the lines to show.
 * hf_live_redraw() turns the lines into one write that replaces the frame before it, without clearing
 * anything in between: no flicker.
 *
 * Calling order: fill a hf_live_state, hf_live_frame(), hf_live_redraw() with the number of lines of the
 * frame before (0: none), write the bytes at once. Event lines of the log are printed above the frame:
 * hf_live_erase() first.
 */
#ifndef HOLDFAST_LIVE_H
#define HOLDFAST_LIVE_H

#include <stdint.h>

#include "holdfast/event.h"
#include "holdfast/text.h"

#define HF_LIVE_EVENTS   3 /* lines of the log that are shown */
#define HF_LIVE_LINE_MAX 160

struct hf_live_group {
    const char *name;
    double ratio;
    const char *doing;      /* "bracket", "edge", "soak", "cooling", "waits", "left out" */
    double done_s, limit_s; /* exposure served of the trial, and its limit; limit 0: no trial */
    int has_last;
    enum hf_verdict last_verdict;
    enum hf_cause last_cause;
    double last_ratio;
};

struct hf_live_state {
    const char *name; /* of the machine */
    uint64_t session;
    double gone_s;        /* run time since the run began */
    double left_median_s; /* to the end; NAN: not known yet */
    double left_p90_s;
    double clock_factor; /* above 1: a simulated machine, whose hours are its own */
    int ended;           /* 1: nothing runs any more */
    uint64_t resets, blocks, failures, voids;
    double hottest_celsius; /* NAN: nothing can be read */
    const char *hottest;    /* which sensor or group */
    const char *next;       /* what comes next, one sentence; NULL: nothing to say */
    int group_count;
    struct hf_live_group group[HF_GROUPS_MAX];
    char event[HF_LIVE_EVENTS][HF_LIVE_LINE_MAX]; /* the newest last; "" for none */
};

struct hf_live_terminal {
    int columns, rows;
    int colour;
};

/* At most rows - 1 lines, each at most `columns` wide, separated by newlines; the count. Groups that do not
 * fit are counted in a line of their own; failing ones and those under trial are shown first. */
int hf_live_frame(const struct hf_live_state *state, const struct hf_live_terminal *terminal,
                  struct hf_text *text);

/* The bytes that put the frame in the place of one of `lines_before` lines. */
void hf_live_redraw(const struct hf_text *frame, int lines_before, struct hf_text *bytes);

/* The bytes that remove a frame of `lines_before` lines and leave the cursor where it began. */
void hf_live_erase(int lines_before, struct hf_text *bytes);

/* 1 when a terminal of that kind can show the view (TERM not empty and not "dumb"); colour when NO_COLOR is
 * unset or empty (no-color.org). The values are those of the environment, NULL for unset. */
int hf_live_wanted(const char *term);
int hf_live_colour(const char *term, const char *no_color);

#endif
