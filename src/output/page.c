/* What every page is made of: its style sheet, head and foot, and cells, facts and warnings. */
#include "output/page.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>

#define SCRATCH_BYTES 65536

/* clang-format off: it is a style sheet, a rule a line. */
/* The colours of all pages, and whatever a plot needs. */
const char hf_plot_style[] =
    ":root{--paper:#fbfaf6;--card:#fff;--ink:#1c2430;--soft:#586273;--line:#dcd8cd;--pass:#0072b2;\n"
    "  --fail:#b84300;--reset:#9a4b83;--void:#8d8d8d;--soak:#00805d;--band:#0072b2;--fit:#0072b2;\n"
    "  --gold:#a87400;--cool:#8fcbe8;--warn:#fff2d9;--warnline:#e0a526}\n"
    "@media(prefers-color-scheme:dark){\n"
    " :root{--paper:#12161c;--card:#1a2028;--ink:#e6e8eb;--soft:#9aa5b4;--line:#323b47;\n"
    "   --pass:#56b4e9;--fail:#ff8a4c;--reset:#dd92c4;--void:#8d8d8d;--soak:#2fc79a;--band:#56b4e9;\n"
    "   --fit:#56b4e9;--gold:#e6b53a;--cool:#3d7f9c;--warn:#33290f;--warnline:#b98a1c}\n"
    "}\n"
    "@media print{\n"
    " :root{--paper:#fff;--card:#fff;--ink:#000;--soft:#444;--line:#bbb;--pass:#0072b2;\n"
    "   --fail:#b84300;--reset:#9a4b83;--void:#777;--soak:#00805d;--band:#0072b2;--fit:#0072b2;\n"
    "   --gold:#a87400;--cool:#8fcbe8;--warn:#fff;--warnline:#000}\n"
    "}\n"
    "text{font:11px system-ui,sans-serif;fill:var(--ink)}\n"
    "text.tick{fill:var(--soft)}\n"
    "text.axis{fill:var(--soft);font-size:12px}\n"
    "text.note{font-size:11px;paint-order:stroke;stroke:var(--card);stroke-width:3px}\n"
    "text.name{font-size:12px}\n"
    "text.number{font-size:22px;font-variant-numeric:tabular-nums}\n"
    "text.place{font-size:11px}\n"
    "text.cell{font-size:11px;text-anchor:middle}\n"
    ".area{fill:var(--card);stroke:var(--line)}\n"
    ".grid{stroke:var(--line);stroke-width:.7;fill:none}\n"
    ".mp{fill:var(--card);stroke:var(--pass);stroke-width:1.6}\n"
    ".mf{fill:none;stroke:var(--fail);stroke-width:2.2}\n"
    ".mr{fill:var(--reset)}\n"
    ".mv{fill:var(--void)}\n"
    ".ms{fill:var(--soak)}\n"
    ".mb{fill:none;stroke:var(--soak);stroke-width:1.6}\n"
    ".band{fill:var(--band);opacity:.16;stroke:none}\n"
    ".fit{fill:none;stroke:var(--fit);stroke-width:1.6}\n"
    ".choice{fill:none;stroke:var(--soak);stroke-width:2}\n"
    ".truth{fill:none;stroke:var(--ink);stroke-width:1.3;stroke-dasharray:2 4}\n"
    ".claim{fill:none;stroke:var(--soft);stroke-width:1.2;stroke-dasharray:7 4}\n"
    ".reset{stroke:var(--reset);stroke-width:1;fill:none;opacity:.7}\n"
    ".bp{fill:var(--pass)}\n"
    ".bs{fill:var(--soak)}\n"
    ".bf{fill:var(--fail)}\n"
    ".br{fill:var(--reset)}\n"
    ".bv{fill:var(--void)}\n"
    ".bc{fill:var(--cool)}\n"
    ".bo{fill:none;stroke:var(--pass);stroke-dasharray:2 2}\n"
    ".series{fill:none;stroke-width:2}\n"
    ".dot{stroke:none!important}\n"
    ".s0{stroke:var(--pass)} .dot.s0{fill:var(--pass)}\n"
    ".s1{stroke:var(--fail);stroke-dasharray:9 3} .dot.s1{fill:var(--fail)}\n"
    ".s2{stroke:var(--soak);stroke-dasharray:3 3} .dot.s2{fill:var(--soak)}\n"
    ".s3{stroke:var(--reset);stroke-dasharray:9 3 2 3} .dot.s3{fill:var(--reset)}\n"
    ".s4{stroke:var(--gold)} .dot.s4{fill:var(--gold)}\n"
    ".s5{stroke:var(--ink);stroke-dasharray:9 3} .dot.s5{fill:var(--ink)}\n"
    ".s6{stroke:var(--void);stroke-dasharray:3 3} .dot.s6{fill:var(--void)}\n"
    ".s7{stroke:var(--soft);stroke-dasharray:9 3 2 3} .dot.s7{fill:var(--soft)}\n"
    ".dots{stroke:var(--ink);stroke-width:3;stroke-linecap:round;fill:none}\n"
    ".sheet{fill:var(--paper)}\n";

static const char page_style[] =
    "*{box-sizing:border-box}\n"
    "body{margin:0;background:var(--paper);color:var(--ink);\n"
    "  font:15px/1.5 Georgia,'Times New Roman',serif}\n"
    "main{max-width:1010px;margin:0 auto;padding:28px 20px 60px}\n"
    "h1{font-size:30px;line-height:1.2;margin:0}\n"
    "h2{font-size:20px;margin:38px 0 8px;border-bottom:1px solid var(--line);padding-bottom:4px}\n"
    "h3{font-size:16px;margin:22px 0 4px}\n"
    "p{margin:6px 0}\n"
    ".soft{color:var(--soft)}\n"
    ".warn{background:var(--warn);border-left:4px solid var(--warnline);padding:8px 14px;\n"
    "  margin:16px 0}\n"
    ".two{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,330px),1fr));gap:16px;\n"
    "  margin:18px 0}\n"
    ".card{background:var(--card);border:1px solid var(--line);padding:14px 18px}\n"
    ".card h3{margin:0 0 4px}\n"
    ".card.guess{border-style:dashed}\n"
    ".big{font-size:19px;line-height:1.35}\n"
    "table{border-collapse:collapse;width:100%;font:13px/1.4 system-ui,sans-serif}\n"
    "th{text-align:left;font-weight:600;color:var(--soft);border-bottom:1px solid var(--ink)}\n"
    "td,th{padding:4px 10px 4px 0;vertical-align:top}\n"
    "td{border-bottom:1px solid var(--line)}\n"
    ".n{text-align:right;font-variant-numeric:tabular-nums}\n"
    "tr.run td{border-bottom:1px solid var(--line);padding-top:0;color:var(--soft)}\n"
    "tr.one td{border-bottom:0}\n"
    "td.exp{white-space:nowrap}\n"
    "code{font:12px/1.4 ui-monospace,monospace;overflow-wrap:anywhere}\n"
    ".scroll{overflow-x:auto}\n"
    "dl{display:grid;grid-template-columns:max-content 1fr;gap:2px 16px;\n"
    "  font:13px/1.5 system-ui,sans-serif;margin:8px 0}\n"
    "dt{color:var(--soft)}\n"
    "dd{margin:0;overflow-wrap:anywhere}\n"
    "figure.map svg{print-color-adjust:exact;-webkit-print-color-adjust:exact}\n"
    ".key i{display:inline-block;width:22px;height:10px;margin-right:5px;border:1px solid transparent;\n"
    "  print-color-adjust:exact;-webkit-print-color-adjust:exact}\n"
    ".kp{background:var(--pass)} .ks{background:var(--soak)} .kf{background:var(--fail)}\n"
    ".kr{background:var(--reset)} .kv{background:var(--void)} .kc{background:var(--cool)}\n"
    ".key i.ko{border:1px dashed var(--pass)}\n"
    "svg{width:100%;height:auto;display:block}\n"
    "svg.shapes{position:absolute;width:0;height:0}\n"
    "svg.sample{display:inline-block;width:14px;height:14px;vertical-align:-2px;margin-right:4px}\n"
    ".key{font:13px/1.8 system-ui,sans-serif;color:var(--soft)}\n"
    ".key span{display:inline-block;margin-right:16px}\n"
    "figure{margin:6px 0 14px}\n"
    "figure.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,340px),1fr));gap:12px}\n"
    "@media(max-width:640px){main{padding:18px 14px 40px} figure.plot,figure.map{overflow-x:auto}\n"
    " figure.plot>svg{min-width:640px} .card{padding:12px 14px}}\n"
    "@media print{\n"
    " body{font-size:10.5pt}\n"
    " main{max-width:none;padding:0}\n"
    " h2,h3{break-after:avoid}\n"
    " svg,.card,tr{break-inside:avoid}\n"
    " .scroll{overflow:visible}\n"
    " table{font-size:8pt}\n"
    " td,th{padding:2px 6px 2px 0}\n"
    " td.exp{white-space:normal}\n"
    " figure.pair{grid-template-columns:1fr 1fr}\n"
    "}\n";
/* clang-format on */

void hf_page_init(struct hf_page *page, struct hf_text *text)
{
    *page = (struct hf_page){.text = text};
    hf_text_init(&page->scratch, SCRATCH_BYTES);
}

void hf_page_release(struct hf_page *page)
{
    hf_text_release(&page->scratch);
}

void hf_page_add(struct hf_page *page, const char *markup)
{
    hf_text_add_string(page->text, markup);
}

void hf_page_words(struct hf_page *page, const char *words)
{
    hf_words_html(page->text, words);
}

void hf_page_scratch(struct hf_page *page)
{
    hf_words_html(page->text, page->scratch.bytes);
    hf_text_clear(&page->scratch);
}

/* --- head and foot ------------------------------------------------------------------------------------ */

void hf_page_open(struct hf_page *page, const char *title, const char *more_style, const char *about)
{
    hf_page_add(page,
                "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" "
                "content=\"width=device-width,initial-scale=1\"><meta name=\"color-scheme\" "
                "content=\"light dark\"><meta http-equiv=\"Content-Security-Policy\" "
                "content=\"default-src 'none'; style-src 'unsafe-inline'\">");
    if (about != NULL) {
        hf_page_add(page, "<meta name=\"about\" content=\"");
        hf_page_words(page, about);
        hf_page_add(page, "\">");
    }
    hf_page_add(page, "<title>");
    hf_page_words(page, title);
    hf_page_add(page, "</title><style>\n");
    hf_page_add(page, hf_plot_style);
    hf_page_add(page, page_style);
    if (more_style != NULL)
        hf_page_add(page, more_style);
    hf_page_add(page, "</style></head><body><main>\n");
}

void hf_page_close(struct hf_page *page)
{
    assert(page->scratch.size == 0);
    hf_page_add(page, "</main></body></html>\n");
}

/* --- parts -------------------------------------------------------------------------------------------- */

void hf_page_warning(struct hf_page *page)
{
    if (page->scratch.size == 0)
        return;
    hf_page_add(page, "<p class=\"warn\">");
    hf_page_scratch(page);
    hf_page_add(page, "</p>\n");
}

void hf_page_cell(struct hf_page *page, const char *markup, const char *words)
{
    hf_page_add(page, markup);
    hf_page_words(page, words);
    hf_page_add(page, "</td>");
}

void hf_page_scratch_cell(struct hf_page *page, const char *markup)
{
    hf_page_cell(page, markup, page->scratch.bytes);
    hf_text_clear(&page->scratch);
}

void hf_page_number_cell(struct hf_page *page, const char *format, double value)
{
    char words[48];

    (void)snprintf(words, sizeof words, format, value);
    hf_page_cell(page, "<td class=\"n\">", isfinite(value) ? words : "-");
}

void hf_page_fact(struct hf_page *page, const char *name, const char *words)
{
    if (words[0] == '\0')
        return;
    hf_page_add(page, "<dt>");
    hf_page_words(page, name);
    hf_page_add(page, "</dt><dd>");
    hf_page_words(page, words);
    hf_page_add(page, "</dd>\n");
}

void hf_page_number_fact(struct hf_page *page, const char *name, const char *format, double value)
{
    char words[64];

    (void)snprintf(words, sizeof words, format, value);
    hf_page_fact(page, name, isfinite(value) ? words : "");
}
