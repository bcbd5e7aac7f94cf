#include "holdfast/live.h"

#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/clock.h"

#define COLUMNS_MIN  40
#define BAR_WIDTH    12
#define GROUP_WIDTH  79 /* of a group's line; two stand side by side where they fit */
#define LINES_AROUND 5  /* head, table head, totals, next, an empty line */
#define CELL_MAX     192

/* Colours of the eight that every terminal has: told apart by brightness, too, and never the only sign. */
#define COLOUR_PASS "\033[36m"
#define COLOUR_FAIL "\033[1;35m"
#define COLOUR_VOID "\033[33m"
#define COLOUR_DIM  "\033[2m"
#define COLOUR_OFF  "\033[0m"

int hf_live_wanted(const char *term)
{
    return term != NULL && term[0] != '\0' && strcmp(term, "dumb") != 0;
}

int hf_live_colour(const char *term, const char *no_color)
{
    return hf_live_wanted(term) && (no_color == NULL || no_color[0] == '\0');
}

/* --- cells
 * -------------------------------------------------------------------------------------------------- */

/* Cuts at `width` characters; a cut inside a UTF-8 character drops it whole. */
static void cut(char *text, int width)
{
    int count = 0;
    size_t i = 0;

    for (; text[i] != '\0'; i++) {
        if (((unsigned char)text[i] & 0xc0) == 0x80)
            continue;
        if (count++ == width)
            break;
    }
    text[i] = '\0';
}

static void add_line(struct hf_text *text, int columns, const char *line)
{
    char copy[CELL_MAX];

    (void)snprintf(copy, sizeof copy, "%s", line);
    cut(copy, columns);
    hf_text_addf(text, "%s\n", copy);
}

static void duration(double seconds, char ret_text[HF_TIME_TEXT])
{
    if (isnan(seconds))
        (void)snprintf(ret_text, HF_TIME_TEXT, "?");
    else
        hf_duration_format(fmax(seconds, 0), ret_text);
}

static void bar(double share, char ret_bar[BAR_WIDTH + 1])
{
    int filled = (int)lround(fmin(fmax(share, 0), 1) * BAR_WIDTH);

    for (int i = 0; i < BAR_WIDTH; i++)
        ret_bar[i] = i < filled ? '=' : '.';
    ret_bar[BAR_WIDTH] = '\0';
}

static const char *colour_of(enum hf_verdict verdict)
{
    static const char *const colours[] = {
        [HF_VERDICT_PASS] = COLOUR_PASS, [HF_VERDICT_FAIL] = COLOUR_FAIL, [HF_VERDICT_VOID] = COLOUR_VOID};

    return colours[verdict];
}

/* "name ratio doing bar time last": the last part may be coloured. */
static void add_group(const struct hf_live_group *group, int width, int colour, struct hf_text *text)
{
    char cell[CELL_MAX];
    char last[64] = "";
    char progress[BAR_WIDTH + 1] = "";
    char done[HF_TIME_TEXT] = "";
    char left[HF_TIME_TEXT] = "";
    char time[2 * HF_TIME_TEXT + 4] = "";
    int used;

    if (group->limit_s > 0) {
        bar(group->done_s / group->limit_s, progress);
        duration(group->done_s, done);
        duration(group->limit_s - group->done_s, left);
        (void)snprintf(time, sizeof time, "%-8s %s", done, left);
    }
    if (group->has_last) /* a cause says more than its verdict, and there is room for one of them */
        (void)snprintf(last, sizeof last, "%.2f %s", group->last_ratio,
                       group->last_verdict == HF_VERDICT_PASS ? "pass" : hf_cause_name(group->last_cause));
    (void)snprintf(cell, sizeof cell, "%-8.8s %6.2f %-8.8s %-*s %-18.18s ", group->name, group->ratio,
                   group->doing, BAR_WIDTH, progress, time);
    cut(cell, width);
    used = (int)strlen(cell);
    hf_text_add_string(text, cell);
    cut(last, width - used > 0 ? width - used : 0);
    if (last[0] != '\0')
        hf_text_addf(text, "%s%s%s", colour ? colour_of(group->last_verdict) : "", last,
                     colour ? COLOUR_OFF : "");
    for (int i = used + (int)strlen(last); i < width; i++)
        hf_text_add(text, " ", 1);
}

/* --- which groups
 * ---------------------------------------------------------------------------------------------- */

/* The smaller, the sooner shown: a failure, then a trial, then the rest; each in the machine's order. */
static int rank_of(const struct hf_live_group *group)
{
    if (group->has_last && group->last_verdict == HF_VERDICT_FAIL)
        return 0;
    return group->limit_s > 0 ? 1 : 2;
}

/* The first `room` of them, shown in the machine's order. */
static int choose(const struct hf_live_state *state, int room, uint8_t ret_shown[HF_GROUPS_MAX])
{
    int count = 0;

    memset(ret_shown, 0, HF_GROUPS_MAX);
    for (int rank = 0; rank <= 2; rank++) {
        for (int g = 0; g < state->group_count && count < room; g++) {
            if (rank_of(&state->group[g]) != rank)
                continue;
            ret_shown[g] = 1;
            count++;
        }
    }
    return count;
}

static int add_groups(const struct hf_live_state *state, const struct hf_live_terminal *terminal, int lines,
                      struct hf_text *text)
{
    int side_by_side = terminal->columns >= 2 * GROUP_WIDTH + 2 && state->group_count > lines ? 2 : 1;
    int width = side_by_side == 2 || terminal->columns > GROUP_WIDTH ? GROUP_WIDTH : terminal->columns;
    int all_fit = state->group_count <= lines * side_by_side;
    int room = all_fit ? lines * side_by_side : (lines - 1) * side_by_side;
    uint8_t shown[HF_GROUPS_MAX];
    char line[CELL_MAX];
    int count = choose(state, room > 0 ? room : 0, shown);
    int placed = 0;
    int used = 0;

    for (int g = 0; g < state->group_count; g++) {
        if (!shown[g])
            continue;
        add_group(&state->group[g], width, terminal->colour, text);
        placed++;
        if (placed % side_by_side == 0 || placed == count) {
            hf_text_add(text, "\n", 1);
            used++;
        } else {
            hf_text_add(text, "  ", 2);
        }
    }
    if (count == state->group_count)
        return used;
    (void)snprintf(line, sizeof line, "and %d more group(s): a taller window shows them",
                   state->group_count - count);
    add_line(text, terminal->columns, line);
    return used + 1;
}

/* --- the rest
 * ---------------------------------------------------------------------------------------------------- */

static void add_head(const struct hf_live_state *state, int columns, struct hf_text *text)
{
    char gone[HF_TIME_TEXT];
    char median[HF_TIME_TEXT];
    char p90[HF_TIME_TEXT];
    char line[CELL_MAX];

    duration(state->gone_s, gone);
    duration(state->left_median_s, median);
    duration(state->left_p90_s, p90);
    if (state->ended)
        (void)snprintf(line, sizeof line, "%.20s  %s gone, ended", state->name, gone);
    else if (isnan(state->left_median_s))
        (void)snprintf(line, sizeof line, "%.20s  %s gone, how long it will take is not known yet",
                       state->name, gone);
    else
        (void)snprintf(line, sizeof line, "%.20s  %s gone, about %s to go (9 in 10 nights: %s)", state->name,
                       gone, median, p90);
    add_line(text, columns, line);
}

static void add_totals(const struct hf_live_state *state, int columns, struct hf_text *text)
{
    char line[CELL_MAX];
    char heat[64];

    if (isnan(state->hottest_celsius))
        (void)snprintf(heat, sizeof heat, "no temperature");
    else
        (void)snprintf(heat, sizeof heat, "hottest %.24s %.0f degC", state->hottest, state->hottest_celsius);
    (void)snprintf(
        line, sizeof line,
        "%s, %" PRIu64 " resets, %" PRIu64 " failed, %" PRIu64 " void, %" PRIu64 " blocks checked%s", heat,
        state->resets, state->failures, state->voids, state->blocks, state->clock_factor > 1 ? " (rig)" : "");
    add_line(text, columns, line);
}

static int add_events(const struct hf_live_state *state, const struct hf_live_terminal *terminal, int lines,
                      struct hf_text *text)
{
    int used = 0;

    for (int i = 0; i < HF_LIVE_EVENTS; i++) {
        char copy[HF_LIVE_LINE_MAX];

        if (state->event[i][0] == '\0' || HF_LIVE_EVENTS - i > lines)
            continue;
        (void)snprintf(copy, sizeof copy, "%s", state->event[i]);
        cut(copy, terminal->columns);
        hf_text_addf(text, "%s%s%s\n", terminal->colour ? COLOUR_DIM : "", copy,
                     terminal->colour ? COLOUR_OFF : "");
        used++;
    }
    return used;
}

int hf_live_frame(const struct hf_live_state *state, const struct hf_live_terminal *terminal,
                  struct hf_text *text)
{
    struct hf_live_terminal seen = *terminal;
    int room;
    int lines;

    assert(state->group_count >= 0 && state->group_count <= HF_GROUPS_MAX);
    if (seen.columns < COLUMNS_MIN)
        seen.columns = COLUMNS_MIN;
    room = seen.rows - 1 - LINES_AROUND;
    add_head(state, seen.columns, text);
    add_line(text, seen.columns, "group     ratio now      progress     elapsed  remaining last verdict");
    lines = 2 + add_groups(state, &seen, room > 1 ? room : 1, text);
    add_totals(state, seen.columns, text);
    lines++;
    if (state->next != NULL) {
        char line[CELL_MAX];

        (void)snprintf(line, sizeof line, "next: %s", state->next);
        add_line(text, seen.columns, line);
        lines++;
    }
    return lines + add_events(state, &seen, seen.rows - 1 - lines, text);
}

/* --- escape sequences: ECMA-48 CUU, EL and ED
 * ---------------------------------------------------------------------- */

void hf_live_redraw(const struct hf_text *frame, int lines_before, struct hf_text *bytes)
{
    const char *line = frame->bytes;

    if (lines_before > 0)
        hf_text_addf(bytes, "\033[%dA", lines_before);
    while (*line != '\0') {
        const char *end = strchr(line, '\n');
        size_t size = end != NULL ? (size_t)(end - line) : strlen(line);

        hf_text_add_string(bytes, "\r");
        hf_text_add(bytes, line, size);
        hf_text_add_string(bytes, "\033[K\n"); /* what was longer before is erased after it is overwritten */
        line += size + (end != NULL);
    }
    hf_text_add_string(bytes, "\033[J");
}

void hf_live_erase(int lines_before, struct hf_text *bytes)
{
    if (lines_before > 0)
        hf_text_addf(bytes, "\033[%dA\r\033[J", lines_before);
}
