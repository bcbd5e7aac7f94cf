/* What certificate and report say of a defect and of a deadline. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "output/output_private.h"

#include "unit/plan/fold.h"

static const char small_profile[] =
    "{\"format\":1,\"name\":\"heron\",\"base_clock_mhz\":100,\"ratio\":{\"lowest\":34,\"highest\":48,"
    "\"step\":0.25,"
    "\"baseline\":36},\"groups\":[{\"name\":\"ebb\",\"cpus\":\"0-3\"},{\"name\":\"flood\",\"cpus\":\"4-7\"}],"
    "\"driver\":\"rig\",\"rig\":{\"seed\":\"7\",\"clock_factor\":200}}";

static void defect_names_the_core(void **state)
{
    struct hf_plan_view view = {.defect_probability = 0.98, .defect_rate_per_hour = 0.5, .defect_cpu = 6};
    struct hf_profile *profile = NULL;
    struct hf_error error = {0};
    struct hf_text words;

    (void)state;
    if (hf_profile_parse(small_profile, strlen(small_profile), "test", &profile, &error) != HF_OK)
        fail_msg("%s", error.message);
    hf_text_init(&words, 1000);
    hf_words_defect(profile, 1, &view, &words);
    assert_string_equal(words.bytes,
                        "flood: a core (CPU 6) fails at any ratio, about once in 2 h of load: no lower "
                        "ratio mends that. ");
    hf_text_clear(&words);
    view.defect_probability = 0.3;
    hf_words_defect(profile, 1, &view, &words);
    view.defect_probability = NAN;
    hf_words_defect(profile, 1, &view, &words);
    assert_int_equal(words.size, 0);
    hf_text_release(&words);
    hf_profile_free(profile);
}

static void deadline_says_its_price(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;
    struct hf_text words;
    struct fold fold;

    (void)state;
    hf_text_init(&words, 1000);
    hf_words_deadline(NULL, &words);
    config.deadline_s = 7 * 3600;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    hf_words_deadline(fold.plan, &words);
    assert_int_equal(words.size, 0); /* it has ended nothing yet */
    fold_baseline(&fold);
    fold.now_s = 3600 - 30; /* nothing was searched: what is lost cannot be said */
    proposal = fold_propose(&fold, 0);
    if (proposal.kind == HF_PROPOSAL_TRIAL) { /* the plan sees the time by an event */
        assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_PASS,
                                      HF_CAUSE_TIME_SERVED, HF_GROUP_NONE, 1),
                         0);
        proposal = fold_propose(&fold, 0);
    }
    assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
    (void)fold_begin(&fold, &proposal);
    hf_words_deadline(fold.plan, &words);
    print_message("%s\n", words.bytes);
    assert_non_null(strstr(words.bytes, "The deadline after 7.00 h ended the search"));
    hf_text_release(&words);
    hf_plan_free(fold.plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(defect_names_the_core),
        cmocka_unit_test(deadline_says_its_price),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
