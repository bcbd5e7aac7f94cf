/* How things are said to a person, and how what strangers wrote is made harmless. */
#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/clock.h"
#include "output/output_private.h"

#define HOURS_A_DAY  24.0
#define HOURS_A_YEAR 8766.0

/* --- escaping ----------------------------------------------------------------------------------------- */

static const char *html_entity(uint32_t character)
{
    switch (character) {
    case '&':
        return "&amp;";
    case '<':
        return "&lt;";
    case '>':
        return "&gt;";
    case '"':
        return "&quot;";
    case '\'':
        return "&#39;";
    default:
        return NULL;
    }
}

void hf_words_html(struct hf_text *text, const char *string)
{
    size_t length;

    for (const char *at = string; *at != '\0'; at += length) {
        uint32_t character = hf_text_character(at, &length);
        const char *entity = html_entity(character);

        if (entity != NULL)
            hf_text_add_string(text, entity);
        else if (character == 0xfffd || hf_text_is_harmful(character))
            hf_text_add_string(text, "\xef\xbf\xbd");
        else
            hf_text_add(text, at, length);
    }
}

void hf_words_terminal(struct hf_text *text, const char *string)
{
    hf_text_add_harmless(text, string, 0);
}

void hf_evidence_write_path(struct hf_json_writer *writer, const char *key, const char *path)
{
    struct hf_text words;

    if (hf_text_is_utf8(path, strlen(path))) {
        hf_json_string(writer, key, path);
        return;
    }
    hf_text_init(&words, 65536);
    hf_words_terminal(&words, path);
    hf_json_string(writer, key, words.bytes);
    hf_text_release(&words);
}

/* --- quantities --------------------------------------------------------------------------------------- */

/* Down to one decimal; what is a hair below a round number because of binary fractions counts as that number.
 */
static double floor_tenth(double value)
{
    return floor(value * 10 * (1 + 1e-12)) / 10;
}

void hf_words_time_floor(double hours, char ret_words[HF_WORDS_MAX])
{
    if (!(hours >= 0) || isinf(hours))
        (void)snprintf(ret_words, HF_WORDS_MAX, "an unknown time");
    else if (hours >= 10 * HOURS_A_YEAR)
        (void)snprintf(ret_words, HF_WORDS_MAX, "10 years");
    else if (hours >= 3 * HOURS_A_DAY)
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.1f days", floor_tenth(hours / HOURS_A_DAY));
    else if (hours >= 1)
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.1f hours", floor_tenth(hours));
    else if (hours * 60 >= 1)
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.1f minutes", floor_tenth(hours * 60));
    else
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.1f seconds", floor_tenth(hours * 3600));
}

void hf_words_time(double hours, char ret_words[HF_WORDS_MAX])
{
    if (isnan(hours))
        (void)snprintf(ret_words, HF_WORDS_MAX, "an unknown time");
    else if (hours >= 10 * HOURS_A_YEAR)
        (void)snprintf(ret_words, HF_WORDS_MAX, "more than 10 years");
    else if (hours >= HOURS_A_YEAR)
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.2g years", hours / HOURS_A_YEAR);
    else if (hours >= 99.5 * HOURS_A_DAY) /* two digits of it would be 1e+02 */
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.0f days", hours / HOURS_A_DAY);
    else if (hours >= 4 * HOURS_A_DAY)
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.2g days", hours / HOURS_A_DAY);
    else if (hours >= 1)
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.2g hours", hours);
    else if (hours * 60 >= 1)
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.2g minutes", hours * 60);
    else
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.2g seconds", hours * 3600);
}

void hf_words_time_about(double hours, char ret_words[HF_WORDS_MAX])
{
    char words[HF_WORDS_MAX];

    hf_words_time(hours, words);
    (void)snprintf(ret_words, HF_WORDS_MAX, "%s%s", words[0] >= '0' && words[0] <= '9' ? "about " : "",
                   words);
}

void hf_words_percent(double share, char ret_words[HF_WORDS_MAX])
{
    (void)snprintf(ret_words, HF_WORDS_MAX, "%.6g %%", share * 100);
}

void hf_words_ratio(const struct hf_profile *profile, int step, char ret_words[HF_WORDS_MAX])
{
    double ratio = hf_profile_ratio(profile, step);
    int decimals = 2;

    while (decimals < 4 && fabs(ratio * pow(10, decimals) - round(ratio * pow(10, decimals))) > 1e-6)
        decimals++;
    (void)snprintf(ret_words, HF_WORDS_MAX, "%.*f", decimals, ratio);
}

void hf_words_exposure(double seconds, char ret_words[HF_WORDS_MAX])
{
    char words[HF_TIME_TEXT];

    if (seconds >= 0 && seconds < 10) {
        (void)snprintf(ret_words, HF_WORDS_MAX, "%.1f s", seconds);
        return;
    }
    hf_duration_format(seconds, words);
    (void)snprintf(ret_words, HF_WORDS_MAX, "%s", words);
}

void hf_words_moment(int64_t wall_ns, char ret_words[HF_WORDS_MAX])
{
    char text[HF_TIME_TEXT];

    hf_time_format(wall_ns, text);
    (void)snprintf(ret_words, HF_WORDS_MAX, "%.10s %.8s", text, text + 11);
}

void hf_words_group_cpus(const struct hf_profile *profile, int group, struct hf_text *text)
{
    const struct hf_profile_group *own = &profile->group[group];

    /* The profile's order is kept; runs of neighbours are joined. */
    for (int i = 0; i < own->cpu_count;) {
        const int16_t *cpu = &profile->cpu[own->cpu_first];
        int last = i;

        while (last + 1 < own->cpu_count && cpu[last + 1] == cpu[last] + 1)
            last++;
        hf_text_addf(text, "%s%d", i > 0 ? "," : "", cpu[i]);
        if (last > i)
            hf_text_addf(text, "-%d", cpu[last]);
        i = last + 1;
    }
}

#define DEFECT_SAID_FROM 0.5 /* chance of a defect */

void hf_words_defect(const struct hf_profile *profile, int group, const struct hf_plan_view *view,
                     struct hf_text *words)
{
    if (!(view->defect_probability > DEFECT_SAID_FROM)) /* NAN: the method cannot tell */
        return;
    hf_text_addf(words, "%s: a core", profile->group[group].name);
    if (view->defect_cpu >= 0)
        hf_text_addf(words, " (CPU %d)", view->defect_cpu);
    hf_text_addf(words, " fails at any ratio, about once in %.2g h of load: no lower ratio mends that. ",
                 1.0 / view->defect_rate_per_hour);
}

void hf_words_deadline(const struct hf_plan *plan, struct hf_text *words)
{
    struct hf_plan_deadline deadline;

    if (plan == NULL)
        return;
    hf_plan_deadline(plan, &deadline);
    if (!deadline.set || !deadline.ended_search)
        return;
    hf_text_addf(words, "The deadline after %.2f h ended the search", deadline.deadline_s / 3600.0);
    if (deadline.steps_lost >= 0.0)
        hf_text_addf(words, ", which cost about %.1f steps a group", deadline.steps_lost);
    hf_text_add_string(words, ".");
}
