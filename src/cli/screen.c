#include "cli/screen.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include "base/memory.h"
#include "holdfast/clock.h"
#include "holdfast/live.h"

/* What an open trial was about, so that its verdict can be told of the right group and ratio. */
struct remembered {
    uint64_t trial;
    int group;
    int16_t step[HF_GROUPS_MAX]; /* of every group in a joint trial; of the one otherwise */
};

struct hf_screen {
    const struct hf_profile *profile;
    struct hf_live_state state;
    struct hf_live_terminal terminal;
    struct remembered open[HF_GROUPS_MAX];
    int16_t last_step[HF_GROUPS_MAX]; /* of the last verdict */
    struct hf_text frame;
    struct hf_text bytes;
    char next[96]; /* what state.next points to */
    int lines;     /* of the frame on the screen */
};

static void measure(struct hf_live_terminal *terminal)
{
    struct winsize size;

    terminal->columns = 80;
    terminal->rows = 24;
    if (ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 0 && size.ws_row > 0) {
        terminal->columns = size.ws_col;
        terminal->rows = size.ws_row;
    }
}

struct hf_screen *hf_screen_new(void)
{
    struct hf_screen *screen;

    if (!isatty(STDOUT_FILENO) || !hf_live_wanted(getenv("TERM")))
        return NULL;
    screen = hf_allocate(1, sizeof *screen);
    if (screen == NULL)
        return NULL;
    screen->terminal.colour = hf_live_colour(getenv("TERM"), getenv("NO_COLOR"));
    hf_text_init(&screen->frame, 256 * 1024);
    hf_text_init(&screen->bytes, 512 * 1024);
    return screen;
}

void hf_screen_use(struct hf_screen *screen, const struct hf_profile *profile)
{
    screen->profile = profile;
    screen->state.name = profile->name;
    screen->state.group_count = profile->group_count;
    screen->state.clock_factor = profile->rig.clock_factor;
    for (int g = 0; g < profile->group_count; g++) {
        screen->state.group[g].name = profile->group[g].name;
        screen->state.group[g].last_ratio = hf_profile_ratio(profile, screen->last_step[g]);
    }
}

void hf_screen_free(struct hf_screen *screen)
{
    if (screen == NULL)
        return;
    hf_text_release(&screen->frame);
    hf_text_release(&screen->bytes);
    hf_free(screen);
}

static void begin_trial(struct hf_screen *screen, const struct hf_event *event)
{
    struct remembered *open = &screen->open[event->group == HF_GROUP_ALL ? 0 : event->group];

    open->trial = event->trial;
    open->group = event->group;
    memcpy(open->step, event->joint_step, sizeof open->step);
    if (event->group != HF_GROUP_ALL)
        open->step[event->group] = (int16_t)event->step;
}

static void keep_last(struct hf_screen *screen, int group, int step, const struct hf_event *event)
{
    struct hf_live_group *seen = &screen->state.group[group];

    screen->last_step[group] = (int16_t)step;
    seen->has_last = 1;
    seen->last_verdict = event->verdict;
    seen->last_cause = event->cause;
    if (screen->profile != NULL)
        seen->last_ratio = hf_profile_ratio(screen->profile, step);
}

/* Of a joint trial that failed, only the group that failed it has a verdict; all of them when nobody is
 * named. */
static void end_trial(struct hf_screen *screen, const struct hf_event *event)
{
    for (int slot = 0; slot < HF_GROUPS_MAX; slot++) {
        struct remembered *open = &screen->open[slot];
        int joint = open->group == HF_GROUP_ALL;

        if (open->trial == 0 || open->trial != event->trial)
            continue;
        for (int g = joint ? 0 : open->group; g < (joint ? HF_GROUPS_MAX : open->group + 1); g++) {
            if (open->step[g] >= 0 && (!joint || event->group < 0 || event->group == g))
                keep_last(screen, g, open->step[g], event);
        }
        open->trial = 0;
    }
}

void hf_screen_observe(struct hf_screen *screen, const struct hf_event *event)
{
    switch (event->type) {
    case HF_EVENT_TRIAL_BEGIN:
        begin_trial(screen, event);
        break;
    case HF_EVENT_VERDICT:
        end_trial(screen, event);
        screen->state.failures += event->verdict == HF_VERDICT_FAIL;
        screen->state.voids += event->verdict == HF_VERDICT_VOID;
        break;
    case HF_EVENT_RESET:
        screen->state.resets++;
        break;
    case HF_EVENT_TRIAL_LOADED:
    case HF_EVENT_EXPOSURE:
    case HF_EVENT_HARDWARE_ERROR:
        break;
    }
}

void hf_screen_say(struct hf_screen *screen, const char *line)
{
    memmove(screen->state.event[0], screen->state.event[1],
            sizeof screen->state.event[0] * (HF_LIVE_EVENTS - 1));
    (void)snprintf(screen->state.event[HF_LIVE_EVENTS - 1], HF_LIVE_LINE_MAX, "%.*s", HF_LIVE_LINE_MAX - 1,
                   line);
}

/* The trial that will have served its time first; a failure may come before. */
static void find_next(struct hf_screen *screen)
{
    struct hf_live_state *state = &screen->state;
    const struct hf_live_group *first = NULL;
    char left[HF_TIME_TEXT];
    int alike = 0;

    state->next = NULL;
    for (int g = 0; g < state->group_count; g++) {
        const struct hf_live_group *group = &state->group[g];

        if (group->limit_s <= 0 || group->limit_s <= group->done_s)
            continue;
        if (first == NULL || group->limit_s - group->done_s < first->limit_s - first->done_s)
            first = group;
    }
    if (first == NULL)
        return;
    for (int g = 0; g < state->group_count; g++)
        alike += fabs(state->group[g].limit_s - state->group[g].done_s - first->limit_s + first->done_s) < 1;
    hf_duration_format(first->limit_s - first->done_s, left);
    if (alike > 1 && alike == state->group_count)
        (void)snprintf(screen->next, sizeof screen->next, "all groups will have served their time in %s",
                       left);
    else
        (void)snprintf(screen->next, sizeof screen->next, "%.20s at %.2f will have served its time in %s",
                       first->name, first->ratio, left);
    state->next = screen->next;
}

static void take_view(struct hf_screen *screen, const struct hf_supervisor_view *view)
{
    struct hf_live_state *state = &screen->state;

    state->hottest_celsius = NAN;
    state->blocks = view->blocks;
    state->gone_s = view->now_s;
    for (int g = 0; g < view->group_count; g++) {
        state->group[g].ratio = hf_profile_ratio(screen->profile, view->group[g].step);
        state->group[g].doing = view->group[g].doing;
        state->group[g].done_s = view->group[g].done_s;
        state->group[g].limit_s = view->group[g].limit_s;
        if (!isnan(view->group[g].celsius) && !(view->group[g].celsius <= state->hottest_celsius)) {
            state->hottest_celsius = view->group[g].celsius;
            state->hottest = state->group[g].name;
        }
    }
    find_next(screen);
}

/* A frame that is higher than the window would scroll: it is drawn for the window as it is now, and one drawn
 * for a wider one is taken away first. */
static void draw(struct hf_screen *screen)
{
    int columns = screen->terminal.columns;
    int lines;

    measure(&screen->terminal);
    hf_text_clear(&screen->bytes);
    if (columns != screen->terminal.columns && screen->lines > 0) {
        hf_text_add_string(&screen->bytes,
                           "\033[H\033[J"); /* lines were folded: their number is not known any more */
        screen->lines = 0;
    }
    hf_text_clear(&screen->frame);
    lines = hf_live_frame(&screen->state, &screen->terminal, &screen->frame);
    hf_live_redraw(&screen->frame, screen->lines, &screen->bytes);
    screen->lines = lines;
    (void)!write(STDOUT_FILENO, screen->bytes.bytes, screen->bytes.size);
}

void hf_screen_show(struct hf_screen *screen, const struct hf_supervisor_view *view,
                    const struct hf_plan *plan)
{
    take_view(screen, view);
    hf_plan_time_left(plan, view->now_s, &screen->state.left_median_s, &screen->state.left_p90_s);
    draw(screen);
}

void hf_screen_end(struct hf_screen *screen)
{
    screen->state.ended = 1;
    screen->state.next = NULL;
    for (int g = 0; g < screen->state.group_count; g++) {
        screen->state.group[g].limit_s = 0;
        screen->state.group[g].doing = "";
    }
    draw(screen);
}
