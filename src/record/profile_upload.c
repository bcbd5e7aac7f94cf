/* The profile's "upload": the server that evidence is sent to. What is no safe place is refused here, before
 * a night begins: plain http beyond this machine, a secret written into the address. */
#include <stdio.h>
#include <string.h>

#include "holdfast/profile.h"
#include "record/profile_keys.h"

/* The host of an address that begins behind "//": its length, a port left out. */
static size_t host_length(const char *host)
{
    if (host[0] == '[')
        return strcspn(host, "]/") + (strchr(host, ']') != NULL);
    return strcspn(host, ":/");
}

/* localhost, 127.0.0.0/8 (RFC 1122, 3.2.1.3) and ::1 (RFC 4291, 2.5.3). */
static int is_loopback(const char *host, size_t length)
{
    static const char *const names[] = {"localhost", "[::1]"};
    int part[4], used = 0;

    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strlen(names[i]) == length && strncmp(names[i], host, length) == 0)
            return 1;
    }
    return sscanf(host, "%3d.%3d.%3d.%3d%n", &part[0], &part[1], &part[2], &part[3], &used) == 4 &&
           (size_t)used == length && part[0] == 127;
}

const char *hf_profile_url_problem(const char *url)
{
    int is_plain = strncmp(url, "http://", 7) == 0;
    const char *host;
    size_t length;

    if (!is_plain && strncmp(url, "https://", 8) != 0)
        return "must begin with https://";
    for (const char *at = url; *at != '\0'; at++) {
        if (*at <= ' ' || *at >= 127 || strchr("\"<>\\^`{|}", *at) != NULL)
            return "holds a character that an address must write as %XX";
    }
    if (strpbrk(url, "?#") != NULL)
        return "must end with the path: no ? and no #";
    host = strstr(url, "//") + 2;
    length = host_length(host);
    if (memchr(host, '@', strcspn(host, "/")) != NULL)
        return "must not hold a name or a password: use token_file";
    if (length == 0)
        return "names no host";
    if (is_plain && !is_loopback(host, length))
        return "plain http goes to this machine only (127.0.0.1, [::1], localhost): use https";
    return NULL;
}

static int read_path(const struct hf_json_reader *object, const char *key, char *ret_path, size_t size,
                     struct hf_error *error)
{
    if (!hf_json_has(object, key))
        return HF_OK;
    if (hf_json_get_string(object, key, ret_path, size, error) != HF_OK)
        return error->code;
    if (ret_path[0] != '/')
        return hf_json_fail(object, key, error, HF_E_INPUT, "needs its whole path, from / on");
    return HF_OK;
}

int hf_profile_read_upload(const struct hf_json_reader *top, struct hf_profile *profile,
                           struct hf_error *error)
{
    struct hf_profile_upload *upload = &profile->upload;
    struct hf_json_reader object;
    const char *problem;

    if (!hf_json_has(top, "upload"))
        return HF_OK;
    if (hf_json_get_object(top, "upload", &object, error) != HF_OK ||
        hf_json_only_keys(&object, hf_profile_keys[HF_PROFILE_UPLOAD], error) != HF_OK ||
        hf_profile_read_numbers(&object, HF_PROFILE_UPLOAD, profile, error) != HF_OK ||
        hf_json_get_string(&object, "url", upload->url, sizeof upload->url, error) != HF_OK)
        return error->code;
    problem = hf_profile_url_problem(upload->url);
    if (problem != NULL) /* the address itself may hold a secret: it is not repeated */
        return hf_json_fail(&object, "url", error, HF_E_INPUT, "%s", problem);
    if (read_path(&object, "token_file", upload->token_file, sizeof upload->token_file, error) != HF_OK)
        return error->code;
    return read_path(&object, "ca_file", upload->ca_file, sizeof upload->ca_file, error);
}
