/* How a file is addressed and described to the server. */
#include <stdio.h>
#include <string.h>

#include "output/upload_private.h"

#define URL_MAX 2048

/* Path segments: what is not unreserved (RFC 3986, 2.3) is written %XX. */
static void add_segment(struct hf_text *url, const char *segment)
{
    for (; *segment != '\0'; segment++) {
        unsigned char byte = (unsigned char)*segment;

        if (strchr("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~", byte) != NULL)
            hf_text_add(url, segment, 1);
        else
            hf_text_addf(url, "%%%02X", byte);
    }
}

void hf_upload_url(const char *server, const char *place, const char *file, struct hf_text *ret_url)
{
    size_t length = strlen(server);

    hf_text_init(ret_url, URL_MAX);
    hf_text_add(ret_url, server, length - (server[length - 1] == '/'));
    hf_text_addf(ret_url, "/%s/", place);
    add_segment(ret_url, file);
}

/* Content-Digest: sha-256=:<base64>: (RFC 9530, 2; base64 of RFC 4648, 4: 32 bytes are 44 characters). */
void hf_upload_digest_header(const char *hex, char ret_header[HF_UPLOAD_DIGEST_HEADER])
{
    static const char alphabet[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    char text[48];
    int used = 0;

    for (int i = 0; i < 33; i += 3) { /* 33: the last group has two bytes */
        unsigned group = 0;

        for (int j = 0; j < 3; j++) {
            unsigned byte = 0;

            if (i + j < 32)
                (void)sscanf(hex + 2 * (i + j), "%2x", &byte);
            group = group << 8 | byte;
        }
        for (int shift = 18; shift >= 0; shift -= 6)
            text[used++] = alphabet[group >> shift & 63];
    }
    text[used - 1] = '=';
    text[used] = '\0';
    (void)snprintf(ret_header, HF_UPLOAD_DIGEST_HEADER, "Content-Digest: sha-256=:%s:", text);
}

const char *hf_upload_content_type(const char *file)
{
    size_t length = strlen(file);

    if (length > 5 && strcmp(file + length - 5, ".html") == 0)
        return "Content-Type: text/html; charset=utf-8";
    if (length > 6 && strcmp(file + length - 6, ".jsonl") == 0)
        return "Content-Type: application/jsonl";
    return "Content-Type: application/json";
}
