/* Times and durations as people write them. */
#include "unit/base/base_test.h"

#include <math.h>
#include <time.h>

#include "holdfast/clock.h"
#include "holdfast/random.h"

/* Well-known instants (POSIX seconds since the Epoch). */
static void test_known_times(void **state)
{
    static const struct {
        int64_t milliseconds;
        const char *text;
    } cases[] = {
        {0, "1970-01-01T00:00:00.000Z"},
        {INT64_C(1000000000000), "2001-09-09T01:46:40.000Z"},
        {INT64_C(2147483647999), "2038-01-19T03:14:07.999Z"},
        {INT64_C(951782400000), "2000-02-29T00:00:00.000Z"},
        {INT64_C(1709164800123), "2024-02-29T00:00:00.123Z"},
        {INT64_C(4107542399000), "2100-02-28T23:59:59.000Z"},
        {INT64_C(4107542400000), "2100-03-01T00:00:00.000Z"}, /* 2100 is no leap year */
        {INT64_C(1795598851123), "2026-11-25T09:27:31.123Z"},
    };
    struct hf_error error = {0};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char text[HF_TIME_TEXT];
        int64_t back;

        hf_time_format(cases[i].milliseconds * 1000000, text);
        assert_string_equal(text, cases[i].text);
        hf_time_format(cases[i].milliseconds * 1000000 + 999999, text);
        assert_string_equal(text, cases[i].text);
        assert_ok(hf_time_parse(cases[i].text, &back, &error));
        assert_true(back == cases[i].milliseconds * 1000000);
    }
}

static void test_time_round_trip(void **state)
{
    struct hf_error error = {0};
    struct hf_random random;

    (void)state;
    hf_random_init(&random, 9, 9);
    for (int i = 0; i < 20000; i++) {
        int64_t wall_ns = (int64_t)hf_random_below(&random, UINT64_C(9000000000000)) * 1000000;
        char text[HF_TIME_TEXT];
        int64_t back;

        hf_time_format(wall_ns, text);
        assert_ok(hf_time_parse(text, &back, &error));
        assert_true(back == wall_ns);
    }
}

static void test_wrong_times(void **state)
{
    static const char *const texts[] = {
        "",
        "now",
        "2026-11-25",
        "2026-11-25T09:27:31Z",
        "2026-11-25T09:27:31.123",
        "2026-11-25T09:27:31.123z",
        "2026-11-25T09:27:31.123Z ",
        " 2026-11-25T09:27:31.123Z",
        "2026-11-25 09:27:31.123Z",
        "2026-13-25T09:27:31.123Z",
        "2026-00-25T09:27:31.123Z",
        "1969-11-25T09:27:31.123Z",
        "2026-11-25T09:27:31.123+01:00",
        "99999-11-25T09:27:31.12Z",
    };
    struct hf_error error = {0};
    int64_t wall_ns = 42;

    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        if (hf_time_parse(texts[i], &wall_ns, &error) != HF_E_INPUT)
            fail_msg("accepted: %s", texts[i]);
        hf_error_clear(&error);
        assert_int_equal(wall_ns, 42);
    }
}

static void test_durations(void **state)
{
    static const struct {
        const char *text;
        double seconds;
    } good[] = {{"90s", 90},    {"20m", 1200},     {"6h", 21600},     {"2d", 172800},
                {"1.5h", 5400}, {"0.001s", 0.001}, {"366d", 31622400}};
    static const struct {
        const char *text;
        int code;
    } bad[] = {{"", HF_E_USAGE},       {"6", HF_E_USAGE},    {"6 h", HF_E_USAGE},  {"6hours", HF_E_USAGE},
               {"-6h", HF_E_USAGE},    {"+6h", HF_E_USAGE},  {" 6h", HF_E_USAGE},  {"6h ", HF_E_USAGE},
               {"0x6h", HF_E_USAGE},   {"infh", HF_E_USAGE}, {"nanh", HF_E_USAGE}, {"1e3s", HF_E_USAGE},
               {"1.2.3h", HF_E_USAGE}, {"6H", HF_E_USAGE},   {"0s", HF_E_RANGE},   {"367d", HF_E_RANGE},
               {"0.0h", HF_E_RANGE}};
    struct hf_error error = {0};
    double seconds = -1;

    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        assert_ok(hf_duration_parse(good[i].text, &seconds, &error));
        assert_true(fabs(seconds - good[i].seconds) < 1e-9 * good[i].seconds + 1e-12);
    }
    seconds = -1;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        int code = hf_duration_parse(bad[i].text, &seconds, &error);

        if (code != bad[i].code)
            fail_msg("\"%s\": %s, expected %s", bad[i].text, hf_error_name(code), hf_error_name(bad[i].code));
        hf_error_clear(&error);
        assert_true(seconds < 0);
    }
}

static void test_durations_for_people(void **state)
{
    static const struct {
        double seconds;
        const char *text;
    } cases[] = {{0, "0 s"},          {42, "42 s"},    {119, "119 s"},    {210, "3.5 min"},
                 {7199, "120.0 min"}, {9720, "2.7 h"}, {527040, "6.1 d"}, {-1, "-"}};
    char text[HF_TIME_TEXT];

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        hf_duration_format(cases[i].seconds, text);
        assert_string_equal(text, cases[i].text);
    }
    hf_duration_format((double)NAN, text);
    assert_string_equal(text, "-");
    hf_duration_format((double)INFINITY, text);
    assert_true(strlen(text) < HF_TIME_TEXT);
    hf_duration_format(1e300, text);
    assert_true(strlen(text) < HF_TIME_TEXT);
}

static void test_real_clock(void **state)
{
    int64_t first = hf_clock_monotonic_ns(&hf_clock_real);
    int64_t wall = hf_clock_wall_ns(&hf_clock_real);

    (void)state;
    assert_true(hf_clock_monotonic_ns(&hf_clock_real) >= first);
    assert_true(llabs(wall / 1000000000 - (int64_t)time(NULL)) <= 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_known_times),          cmocka_unit_test(test_time_round_trip),
        cmocka_unit_test(test_wrong_times),          cmocka_unit_test(test_durations),
        cmocka_unit_test(test_durations_for_people), cmocka_unit_test(test_real_clock),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
