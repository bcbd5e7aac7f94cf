/*
 * The certificate as a page that prints on one sheet. It is made from the JSON document and from nothing
 * else: what the page says, the document says, in the same order, and the same document gives the same bytes.
 */
#include <assert.h>
#include <cjson/cJSON.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "output/certificate_parts.h"
#include "output/page.h"

#define NEAREST_SHOWN        5
#define HF_PAGE_SENSOR_WORDS 240
#define KERNELS_SHOWN        24

/* clang-format off: a style sheet, a rule a line. */
static const char certificate_style[] =
    "main{max-width:900px}\n"
    ".lead{display:grid;grid-template-columns:auto 1fr;gap:4px 28px;align-items:center;margin:14px 0 4px}\n"
    ".ratio{font-size:60px;line-height:1;font-variant-numeric:tabular-nums;letter-spacing:-1px}\n"
    ".lead p{margin:2px 0;min-width:0;overflow-wrap:anywhere}\n"
    ".said{font-size:17px;line-height:1.4}\n"
    ".cols{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,340px),1fr));gap:0 30px}\n"
    ".cols>div{min-width:0}\n"
    "main h2{font-size:15px;margin:14px 0 4px}\n"
    "ul{margin:4px 0;padding-left:18px;font:12.5px/1.42 system-ui,sans-serif}\n"
    "li{margin:1px 0}\n"
    ".seal{margin-top:14px;border-top:2px solid var(--ink);padding-top:6px;font:12px/1.45 "
    "system-ui,sans-serif}\n"
    ".chips{display:grid;grid-template-columns:repeat(auto-fill,minmax(128px,1fr));gap:4px;\n"
    "  font:12px/1.3 system-ui,sans-serif;margin:8px 0}\n"
    ".chips.many{grid-template-columns:repeat(auto-fill,minmax(76px,1fr))}\n"
    ".chips span{border:1px solid var(--line);padding:3px 8px}\n"
    ".chips b{font-variant-numeric:tabular-nums}\n"
    ".cols dl,.cols table{font-size:12px}\n"
    "td,th{padding:2px 8px 2px 0}\n"
    "@media(max-width:500px){.lead{grid-template-columns:1fr}}\n"
    "@page{size:A4;margin:11mm 13mm}\n"
    "@media print{\n"
    " body{font-size:9pt;line-height:1.32}\n"
    " h1{font-size:17pt} .ratio{font-size:38pt} .said{font-size:10.5pt}\n"
    " .two{grid-template-columns:1fr 1fr;margin:6px 0;gap:10px} .card{padding:5px 10px} "
    ".big{font-size:10.5pt}\n"
    " .cols{grid-template-columns:1fr 1fr;gap:0 20px}\n"
    " main h2{font-size:9.5pt;margin:6px 0 1px;padding-bottom:1px}\n"
    " .cols dl,.cols table,.chips,ul{font-size:7.3pt;line-height:1.28} dl{margin:3px 0;gap:0 12px}\n"
    " .cols td,.cols th{padding:1px 6px 1px 0}\n"
    " ul{margin:2px 0} .warn{margin:5px 0;padding:3px 8px}\n"
    " .lead{margin:6px 0 2px} .seal{margin-top:6px;font-size:7.3pt} code{font-size:7pt}\n"
    " .chips{grid-template-columns:repeat(auto-fill,minmax(100px,1fr));gap:2px}\n"
    " .chips.many{grid-template-columns:repeat(auto-fill,minmax(62px,1fr));font-size:6.5pt;gap:1px}\n"
    " .chips span{padding:1px 4px} .chips.many span{padding:0 3px}\n"
    "}\n";
/* clang-format on */

/* --- the document ------------------------------------------------------------------------------------- */

/* "a.b" of the document; NULL where it is not there or null. */
static const cJSON *at(const cJSON *object, const char *path)
{
    char key[64];

    while (object != NULL && *path != '\0') {
        size_t length = strcspn(path, ".");

        (void)snprintf(key, sizeof key, "%.*s", (int)length, path);
        object = cJSON_GetObjectItemCaseSensitive(object, key);
        path += length + (path[length] == '.');
    }
    return cJSON_IsNull(object) ? NULL : object;
}

static double number_at(const cJSON *object, const char *path)
{
    const cJSON *item = at(object, path);

    return cJSON_IsNumber(item) ? item->valuedouble : NAN;
}

static const char *string_at(const cJSON *object, const char *path)
{
    const cJSON *item = at(object, path);

    return cJSON_IsString(item) ? item->valuestring : "";
}

static int true_at(const cJSON *object, const char *path)
{
    return cJSON_IsTrue(at(object, path));
}

/* Words begin a sentence here: the document has them for the middle of one. */
static void add_sentence(struct hf_page *page, const char *words)
{
    struct hf_text *scratch = &page->scratch;

    hf_text_add_string(scratch, words);
    if (scratch->size > 0 && scratch->bytes[0] >= 'a' && scratch->bytes[0] <= 'z')
        scratch->bytes[0] = (char)(scratch->bytes[0] - 'a' + 'A');
    if (scratch->size > 0 && scratch->bytes[scratch->size - 1] != '.')
        hf_text_add_string(scratch, ".");
    hf_page_scratch(page);
}

static void begin_section(struct hf_page *page, const char *title)
{
    hf_page_add(page, "<section><h2>");
    hf_page_add(page, title);
    hf_page_add(page, "</h2>\n");
}

static void end_section(struct hf_page *page)
{
    hf_page_add(page, "</section>\n");
}

/* --- 1: what it is about ------------------------------------------------------------------------------ */

/* Many groups on one sheet: the clock, and then the CPUs, give way. */
static void write_chips(struct hf_page *page, const cJSON *document)
{
    const cJSON *groups = at(document, "groups");
    int count = cJSON_GetArraySize(groups);
    const cJSON *group;

    hf_text_addf(page->text, "<div class=\"chips%s\" role=\"list\">", count > 64 ? " many" : "");
    cJSON_ArrayForEach(group, groups)
    {
        hf_page_add(page, "<span role=\"listitem\">");
        hf_page_words(page, string_at(group, "name"));
        hf_text_addf(page->text, " <b>%.2f</b>", number_at(group, "ratio"));
        if (count <= 16)
            hf_text_addf(&page->scratch, " %.6g MHz,", number_at(group, "mhz"));
        if (count <= 64)
            hf_text_addf(&page->scratch, " cpu %s", string_at(group, "cpus"));
        if (!true_at(group, "in_soak"))
            hf_text_add_string(&page->scratch, ", left out");
        hf_page_scratch(page);
        hf_page_add(page, "</span>");
    }
    hf_page_add(page, "</div>\n");
}

static void write_group_lead(struct hf_page *page, const cJSON *document)
{
    double ratio = number_at(document, "setting.ratio");
    int decimals = fabs(ratio * 100 - round(ratio * 100)) > 1e-6 ? 4 : 2;

    hf_text_addf(page->text, "<div class=\"lead\"><div class=\"ratio\">%.*f</div><div><p class=\"said\">",
                 decimals, ratio);
    hf_text_addf(&page->scratch, "Group %s, CPUs %s: ratio %.*f x base clock %.6g MHz = %.6g MHz",
                 string_at(document, "group.name"), string_at(document, "group.cpus"), decimals, ratio,
                 number_at(document, "setting.base_clock_mhz"), number_at(document, "setting.mhz"));
    hf_page_scratch(page);
    hf_page_add(page, "</p><p class=\"soft\">");
    hf_text_addf(&page->scratch, "Baseline %.2f, highest allowed %.2f, step %.6g%s.",
                 number_at(document, "setting.baseline_ratio"), number_at(document, "setting.highest_ratio"),
                 number_at(document, "setting.ratio_step"),
                 true_at(document, "group.pinned") ? "; the ratio was given, not searched" : "");
    hf_page_scratch(page);
    hf_page_add(page, "</p></div></div>\n");
}

static void write_lead(struct hf_page *page, const cJSON *document)
{
    hf_page_add(page, "<h1>Certificate: ");
    hf_page_words(page, string_at(document, "machine.name"));
    if (at(document, "group") != NULL) {
        hf_page_add(page, ", group ");
        hf_page_words(page, string_at(document, "group.name"));
    } else {
        hf_page_add(page, ", the whole machine");
    }
    hf_page_add(page, "</h1>\n<p class=\"soft\">");
    if (string_at(document, "machine.description")[0] != '\0')
        hf_text_addf(&page->scratch, "%s. ", string_at(document, "machine.description"));
    hf_text_addf(&page->scratch, "Run %s, begun %s, finished %s after %.1f hours of run time.",
                 string_at(document, "run.identity"), string_at(document, "run.begun"),
                 string_at(document, "run.finished"), number_at(document, "run.hours"));
    hf_page_scratch(page);
    hf_page_add(page, "</p>\n");
    hf_text_add_string(&page->scratch, string_at(document, "simulation"));
    hf_page_warning(page);
    if (at(document, "group") != NULL)
        write_group_lead(page, document);
    else
        write_chips(page, document);
}

/* --- 2 and 3: demonstrated and expected, each in a box of its own --------------------------------------- */

static void write_demonstrated(struct hf_page *page, const cJSON *document)
{
    char percent[HF_WORDS_MAX];

    hf_page_add(page, "<div class=\"card\"><h3>Demonstrated</h3><p class=\"big\">");
    add_sentence(page, string_at(document, "demonstrated.sentence"));
    hf_page_add(page, "</p><p class=\"soft\">");
    hf_words_percent(number_at(document, "demonstrated.confidence"), percent);
    hf_text_addf(
        &page->scratch,
        "%.4g machine-hours of joint soak (%.4g wanted), 0 faults: the machine's rate is at most %.3g "
        "an hour at %s, and so is the group's. Uses no model. ",
        number_at(document, "demonstrated.machine_hours"), number_at(document, "demonstrated.required_hours"),
        number_at(document, "demonstrated.rate_upper_per_hour"), percent);
    hf_words_percent(1 - number_at(document, "demonstrated.confidence_spent"), percent);
    hf_text_addf(&page->scratch,
                 "Soak number %.0f of the search, attempt %.0f at these ratios; counting every soak, %s.",
                 number_at(document, "demonstrated.soaks_begun"),
                 number_at(document, "demonstrated.attempt_at_these_ratios"), percent);
    hf_page_scratch(page);
    hf_page_add(page, "</p></div>\n");
}

static void write_expected(struct hf_page *page, const cJSON *document)
{
    const cJSON *met = at(document, "expected.claim.met");

    hf_page_add(page, "<div class=\"card guess\"><h3>Expected (extrapolated)</h3><p class=\"big\">");
    add_sentence(page, string_at(document, "expected.sentence"));
    hf_page_add(page, "</p><p class=\"soft\">");
    if (isfinite(number_at(document, "expected.slope_nats_per_step")))
        hf_text_addf(&page->scratch, "Slope: the rate grows by a factor of %.3g with each step. ",
                     exp(number_at(document, "expected.slope_nats_per_step")));
    if (true_at(document, "expected.available"))
        hf_text_addf(&page->scratch, "Model check %s (%.0f residuals). ",
                     true_at(document, "expected.model_check_passed") ? "passed" : "FAILED",
                     number_at(document, "expected.model_check_residuals"));
    if (met != NULL)
        hf_text_addf(&page->scratch, "Wanted%s: at most one fault in %.6g hours; this bound%s %s.",
                     at(document, "group") != NULL ? "" : " of each group",
                     number_at(document, "expected.claim.hours"),
                     at(document, "group") != NULL ? "" : ", which is the whole machine's,",
                     cJSON_IsTrue(met) ? "keeps it" : "does not keep it");
    hf_page_scratch(page);
    hf_page_add(page, "</p></div>\n");
}

/* --- 4: margin ---------------------------------------------------------------------------------------- */

static void write_nearest(struct hf_page *page, const cJSON *failure)
{
    hf_text_addf(page->text, "<tr><td class=\"n\">%.2f</td><td class=\"n\">%+.0f</td>",
                 number_at(failure, "ratio"), number_at(failure, "steps_above"));
    hf_page_number_cell(page, "%.1f", number_at(failure, "run_hours"));
    hf_text_add_string(&page->scratch, string_at(failure, "cause"));
    if (isfinite(number_at(failure, "cpu")))
        hf_text_addf(&page->scratch, ", cpu %.0f", number_at(failure, "cpu"));
    if (!true_at(failure, "core_named"))
        hf_text_add_string(&page->scratch, ", nobody named");
    if (at(failure, "kernel") != NULL)
        hf_text_addf(&page->scratch, ": %s %.0f, %s; wrong bits %s", string_at(failure, "kernel"),
                     number_at(failure, "width_bits"), string_at(failure, "pattern"),
                     string_at(failure, "xor"));
    hf_page_scratch_cell(page, "<td class=\"words\">");
    hf_page_add(page, "</tr>\n");
}

static void write_failures(struct hf_page *page, const cJSON *document)
{
    const cJSON *failures = at(document, "margin.nearest_failures");
    int count = cJSON_GetArraySize(failures);

    if (count == 0) {
        hf_page_add(page, "<p class=\"soft\">No failure speaks against this group.</p>\n");
        return;
    }
    hf_page_add(page,
                "<div class=\"scroll\"><table><thead><tr><th class=\"n\">Ratio</th><th class=\"n\">Steps</th>"
                "<th class=\"n\">Hour</th><th>What failed, and what found it</th></tr></thead>"
                "<tbody>\n");
    for (int i = 0; i < count && i < NEAREST_SHOWN; i++)
        write_nearest(page, cJSON_GetArrayItem(failures, i));
    hf_page_add(page, "</tbody></table></div>\n");
}

static void write_margin(struct hf_page *page, const cJSON *document)
{
    double steps = number_at(document, "margin.steps_to_edge");

    begin_section(page, "Margin");
    hf_page_add(page, "<p class=\"soft\">");
    if (isfinite(steps))
        hf_text_addf(&page->scratch, "%.1f steps to the ratio with one fault a minute (%.1f to %.1f).", steps,
                     number_at(document, "margin.steps_to_edge_low"),
                     number_at(document, "margin.steps_to_edge_high"));
    else if (isfinite(number_at(document, "margin.smallest_steps_to_edge")))
        hf_text_addf(
            &page->scratch,
            "The group with least to spare, %s, is %.1f steps from the ratio with one fault a minute.",
            string_at(document, "margin.smallest_in"), number_at(document, "margin.smallest_steps_to_edge"));
    else
        hf_text_add_string(&page->scratch, "The search method keeps no belief about the edge.");
    hf_page_scratch(page);
    hf_page_add(page, "</p>\n");
    if (at(document, "group") != NULL)
        write_failures(page, document);
    end_section(page);
}

/* --- 5: load, heat, clock ------------------------------------------------------------------------------ */

static void write_kernels(struct hf_page *page, const cJSON *document)
{
    const cJSON *kernels = at(document, "load.kernels");
    int count = cJSON_GetArraySize(kernels);

    hf_page_add(page,
                "<div class=\"scroll\"><table><thead><tr><th>Kernel</th><th class=\"n\">Bits</th><th "
                "class=\"n\">Hours</th><th class=\"n\">Blocks</th><th class=\"n\">Wrong</th></tr></thead>"
                "<tbody>\n");
    for (int i = 0; i < count && i < KERNELS_SHOWN; i++) {
        const cJSON *kernel = cJSON_GetArrayItem(kernels, i);
        double width = number_at(kernel, "width_bits");

        hf_page_cell(page, "<tr><td>", string_at(kernel, "kernel"));
        hf_page_number_cell(page, "%.0f", width > 0 ? width : NAN);
        hf_page_number_cell(page, "%.2f", number_at(kernel, "hours"));
        hf_page_cell(page, "<td class=\"n\">", string_at(kernel, "blocks"));
        hf_page_number_cell(page, "%.0f", number_at(kernel, "wrong_results"));
        hf_page_add(page, "</tr>\n");
    }
    hf_page_add(page, "</tbody></table></div>\n");
    if (count > KERNELS_SHOWN)
        hf_text_addf(page->text, "<p class=\"soft\">%d of %d; the others stand in the JSON document.</p>\n",
                     KERNELS_SHOWN, count);
}

static void write_load(struct hf_page *page, const cJSON *document)
{
    begin_section(page, "Load");
    hf_page_add(page, "<p class=\"soft\">");
    hf_text_addf(
        &page->scratch,
        "Mix %s. The soak checked %s blocks in %.0f trials. Wrong bits planted to prove the detectors: "
        "%s, reported: %s.",
        string_at(document, "load.mix"), string_at(document, "load.soak_blocks_checked"),
        number_at(document, "load.soak_trials"), string_at(document, "load.planted_errors"),
        string_at(document, "load.planted_errors_reported"));
    hf_page_scratch(page);
    hf_page_add(page, "</p>\n");
    write_kernels(page, document);
    end_section(page);
}

/* The hottest sensor of each role. */
static void write_sensors(struct hf_page *page, const cJSON *document)
{
    const cJSON *item;

    cJSON_ArrayForEach(item, at(document, "temperatures.sensors"))
    {
        char name[48];
        char words[HF_PAGE_SENSOR_WORDS];

        (void)snprintf(name, sizeof name, "soak, hottest %s", string_at(item, "role"));
        (void)snprintf(words, sizeof words, "%.1f degC at %s", number_at(item, "soak_highest_celsius"),
                       string_at(item, "sensor"));
        hf_page_fact(page, name, words);
    }
}

static void write_heat(struct hf_page *page, const cJSON *document)
{
    double asked = number_at(document, "clock.soak_asked_mhz");
    char words[HF_PAGE_SENSOR_WORDS];

    begin_section(page, "Temperature, power, clock, hardware errors");
    hf_page_add(page, "<dl>");
    hf_page_number_fact(page, "soak, highest", "%.1f degC",
                        number_at(document, "temperatures.soak_highest_celsius"));
    hf_page_number_fact(page, "soak, mean", "%.1f degC",
                        number_at(document, "temperatures.soak_mean_celsius"));
    hf_page_number_fact(page, "run, highest", "%.1f degC",
                        number_at(document, "temperatures.highest_celsius"));
    hf_page_number_fact(page, "limit", "%.0f degC", number_at(document, "temperatures.limit_celsius"));
    write_sensors(page, document);
    hf_page_number_fact(page, "power of the package, soak, mean", "%.1f W",
                        number_at(document, "power.soak_mean_watts"));
    hf_page_number_fact(page, "power of the package, soak, highest", "%.1f W",
                        number_at(document, "power.soak_highest_watts"));
    (void)snprintf(words, sizeof words, "asked %.6g MHz, measured %.6g MHz", asked,
                   number_at(document, "clock.soak_measured_mhz"));
    hf_page_fact(page, "clock in the soak", isfinite(asked) ? words : "not measured");
    hf_page_fact(page, "measured by", string_at(document, "clock.source"));
    hf_page_number_fact(page, "lowest measured share", "%.2f %%",
                        100 * number_at(document, "clock.lowest_share_measured"));
    (void)snprintf(words, sizeof words, "%.0f corrected, %.0f uncorrected, %.0f during the soak",
                   number_at(document, "hardware_errors.corrected"),
                   number_at(document, "hardware_errors.uncorrected"),
                   number_at(document, "hardware_errors.during_soak"));
    hf_page_fact(page, "hardware errors", words);
    hf_page_add(page, "</dl>\n");
    end_section(page);
}

/* --- 6: conditions ------------------------------------------------------------------------------------ */

static void add_entered(struct hf_page *page, const cJSON *document, const char *path, const char *name,
                        const char *unit)
{
    double value = number_at(document, path);

    if (isfinite(value))
        hf_text_addf(&page->scratch, "%.6g %s", value, unit);
    else
        hf_text_add_string(&page->scratch, "not given");
    hf_page_fact(page, name, page->scratch.bytes);
    hf_text_clear(&page->scratch);
}

static void write_processor(struct hf_page *page, const cJSON *conditions)
{
    double memory;

    hf_text_addf(&page->scratch, "%s %s", string_at(conditions, "cpu_vendor"),
                 string_at(conditions, "cpu_model"));
    if (isfinite(number_at(conditions, "family")))
        hf_text_addf(&page->scratch, ", family %.0f model %.0f stepping %.0f",
                     number_at(conditions, "family"), number_at(conditions, "model"),
                     number_at(conditions, "stepping"));
    hf_page_fact(page, "processor", page->scratch.bytes);
    hf_text_clear(&page->scratch);
    hf_page_fact(page, "microcode", string_at(conditions, "microcode"));
    hf_text_addf(&page->scratch, "%s %s %s", string_at(conditions, "firmware_vendor"),
                 string_at(conditions, "firmware_version"), string_at(conditions, "firmware_date"));
    hf_page_fact(page, "firmware",
                 strspn(page->scratch.bytes, " ") < page->scratch.size
                     ? page->scratch.bytes + strspn(page->scratch.bytes, " ")
                     : "");
    hf_text_clear(&page->scratch);
    hf_page_fact(page, "kernel", string_at(conditions, "kernel"));
    hf_page_fact(page, "SMT", string_at(conditions, "smt"));
    hf_page_fact(page, "governor", string_at(conditions, "governor"));
    if (sscanf(string_at(conditions, "memory_bytes"), "%lf", &memory) == 1)
        hf_page_number_fact(page, "memory", "%.4g GiB", memory / (1024.0 * 1024 * 1024));
    if (true_at(conditions, "virtual_machine"))
        hf_page_fact(page, "machine", "virtual");
}

static void write_conditions(struct hf_page *page, const cJSON *document)
{
    const cJSON *changed;

    begin_section(page, "Conditions");
    hf_page_add(page, "<dl>");
    write_processor(page, at(document, "conditions"));
    add_entered(page, document, "conditions.memory_mts", "memory speed, as entered", "MT/s");
    add_entered(page, document, "conditions.voltage_mv", "voltage, as entered", "mV");
    add_entered(page, document, "conditions.ambient_celsius", "ambient, as entered", "degC");
    hf_page_fact(page, "note", string_at(document, "conditions.note"));
    hf_page_fact(page, "driver", string_at(document, "conditions.driver"));
    hf_page_fact(page, "tool", string_at(document, "conditions.tool"));
    hf_page_fact(page, "build", string_at(document, "conditions.build"));
    cJSON_ArrayForEach(changed, at(document, "conditions.changed_between_sessions"))
    {
        hf_text_addf(&page->scratch, "%s%s", page->scratch.size ? ", " : "", changed->valuestring);
    }
    hf_page_fact(page, "changed in the run", page->scratch.bytes);
    hf_text_clear(&page->scratch);
    hf_page_fact(page, "profile", string_at(document, "run.profile_digest"));
    hf_page_add(page, "</dl>\n");
    end_section(page);
}

/* --- 7 and 8 ------------------------------------------------------------------------------------------ */

static void write_list(struct hf_page *page, const cJSON *list, const char *title)
{
    const cJSON *item;

    begin_section(page, title);
    hf_page_add(page, "<ul>");
    cJSON_ArrayForEach(item, list)
    {
        hf_page_add(page, "<li>");
        hf_page_words(page, cJSON_IsString(item) ? item->valuestring : "");
        hf_page_add(page, "</li>\n");
    }
    hf_page_add(page, "</ul>\n");
    end_section(page);
}

static void write_seal(struct hf_page *page, const cJSON *document, const char *file)
{
    hf_page_add(page, "<div class=\"seal\">Fingerprint (SHA-256) <code>");
    hf_page_words(page, string_at(document, "fingerprint"));
    hf_page_add(page, "</code><br/>");
    hf_text_addf(
        &page->scratch,
        "Rests on %s records of the run's journal, the last with checksum %s. This page says what %s "
        "says; to compute both again from the journal: ",
        string_at(document, "journal.records"), string_at(document, "journal.last_crc"), file);
    hf_page_scratch(page);
    hf_page_add(page, "<code>holdfast certify --check ");
    hf_page_words(page, file);
    hf_page_add(page, " --run DIR</code></div>\n");
}

/* --- the whole ---------------------------------------------------------------------------------------- */

static void open_page(struct hf_page *page, const cJSON *document)
{
    int is_group = at(document, "group") != NULL;
    char title[160];
    char about[128];

    (void)snprintf(title, sizeof title, "%s, %s: certificate", string_at(document, "machine.name"),
                   is_group ? string_at(document, "group.name") : "the machine");
    (void)snprintf(about, sizeof about, "certificate %s %s", string_at(document, "run.identity"),
                   string_at(document, "journal.records"));
    hf_page_open(page, title, certificate_style, about);
}

static void write_page(struct hf_page *page, const cJSON *document, const char *file)
{
    open_page(page, document);
    write_lead(page, document);
    hf_page_add(page, "<div class=\"two\">");
    write_demonstrated(page, document);
    write_expected(page, document);
    hf_page_add(page, "</div>\n<div class=\"cols\"><div>");
    write_margin(page, document);
    write_heat(page, document);
    write_list(page, at(document, "does_not_prove"), "What this does not prove");
    hf_page_add(page, "</div><div>");
    write_load(page, document);
    write_conditions(page, document);
    write_list(page, at(document, "cautions"), "Cautions");
    hf_page_add(page, "</div></div>\n");
    write_seal(page, document, file);
    hf_page_close(page);
}

int hf_certificate_html(const struct hf_text *document_text, const char *file, struct hf_text *ret_page,
                        struct hf_error *error)
{
    struct cJSON *document = NULL;
    struct hf_page page;
    struct hf_text text;

    if (hf_json_parse(document_text->bytes, document_text->size, file, &document, error) != HF_OK)
        return error->code;
    hf_text_init(&text, HF_CERTIFICATE_BYTES_MAX);
    hf_page_init(&page, &text);
    write_page(&page, document, file);
    hf_page_release(&page);
    hf_json_document_free(document);
    if (text.overflowed) {
        hf_text_release(&text);
        return hf_fail(error, HF_E_FULL, "the page of %s is larger than %d bytes", file,
                       HF_CERTIFICATE_BYTES_MAX);
    }
    *ret_page = text;
    return HF_OK;
}
