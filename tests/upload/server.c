/*
 * The server of the upload tests: takes PUT requests on loopback, one connection after the other, plainly or
 * with TLS (OpenSSL), and answers as it is told.
 *
 *   upload_server --make-ca DIR
 *       ca.pem: a throw-away authority. good.pem (127.0.0.1, localhost), wrong-name.pem, expired.pem:
 * certificate and key, made by it; stranger.pem: made by another authority. Elliptic curve P-256; a day from
 * now, expired.pem a day ago. upload_server --folder DIR [--tls FILE] [--token TOKENFILE] [--port N]
 * ANSWER... DIR/port: the port, when it listens. DIR/log: a line per request, METHOD PATH ANSWER
 * bytes=RECEIVED/ANNOUNCED digest=ok|bad|none token=ok|bad|none DIR/store/...: what was accepted, "/" of the
 * path written "_". Request number n gets ANSWER number n; the last one stands for all that follow: 201, 401,
 * 413, ...  that status, after the whole request 429:2               with Retry-After: 2;  503:@3  with
 * Retry-After as a date 3 s from now 302                 with Location: to this server, /elsewhere early:413
 * that status before the body is read, then the connection is closed slow:MS             reads at most 16 KiB
 * every MS milliseconds, then 201 cut:BYTES           closes after so many bytes of the body mute reads
 * everything and never answers (until the other side goes away) echo:201            that status; the reply
 * repeats the request's head
 *
 * It ends by itself after 120 s.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <openssl/err.h>
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <openssl/ssl.h>
#include <openssl/x509v3.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define HEAD_MAX 65536
#define PIECE    16384
#define LIFE_S   120
#define BODY_MAX (64 * 1024 * 1024)
#define DAY_S    86400L

static void die(const char *what)
{
    fprintf(stderr, "upload_server: %s: %s\n", what, strerror(errno));
    ERR_print_errors_fp(stderr);
    exit(2);
}

/* --- certificates
 * ------------------------------------------------------------------------------------------- */

struct identity {
    EVP_PKEY *key;
    X509 *certificate;
};

static void extend(X509 *certificate, X509 *issuer, int nid, const char *value)
{
    X509V3_CTX context;
    X509_EXTENSION *extension;

    X509V3_set_ctx(&context, issuer, certificate, NULL, NULL, 0);
    extension = X509V3_EXT_conf_nid(NULL, &context, nid, value);
    if (extension == NULL || X509_add_ext(certificate, extension, -1) != 1)
        die("extension");
    X509_EXTENSION_free(extension);
}

static void name_it(X509_NAME *name, const char *words)
{
    if (X509_NAME_add_entry_by_txt(name, "CN", MBSTRING_ASC, (const unsigned char *)words, -1, -1, 0) != 1)
        die("name");
}

/* issuer NULL: an authority that vouches for itself. */
static struct identity make(const char *name, const char *alternative, long from_s, long to_s,
                            const struct identity *issuer)
{
    static long serial = 1;
    struct identity made = {EVP_EC_gen("P-256"), X509_new()};
    const struct identity *by = issuer != NULL ? issuer : &made;

    if (made.key == NULL || made.certificate == NULL)
        die("key");
    (void)X509_set_version(made.certificate, X509_VERSION_3);
    (void)ASN1_INTEGER_set(X509_get_serialNumber(made.certificate), serial++);
    (void)X509_gmtime_adj(X509_getm_notBefore(made.certificate), from_s);
    (void)X509_gmtime_adj(X509_getm_notAfter(made.certificate), to_s);
    (void)X509_set_pubkey(made.certificate, made.key);
    name_it(X509_get_subject_name(made.certificate), name);
    (void)X509_set_issuer_name(made.certificate, X509_get_subject_name(by->certificate));
    extend(made.certificate, by->certificate, NID_basic_constraints,
           issuer == NULL ? "critical,CA:TRUE" : "CA:FALSE");
    extend(made.certificate, by->certificate, NID_key_usage,
           issuer == NULL ? "critical,keyCertSign" : "critical,digitalSignature");
    extend(made.certificate, by->certificate, NID_subject_key_identifier, "hash");
    if (alternative != NULL)
        extend(made.certificate, by->certificate, NID_subject_alt_name, alternative);
    if (X509_sign(made.certificate, by->key, EVP_sha256()) == 0)
        die("sign");
    return made;
}

static void write_identity(const char *folder, const char *name, const struct identity *identity,
                           int with_key)
{
    char path[4096];
    FILE *file;

    (void)snprintf(path, sizeof path, "%s/%s.pem", folder, name);
    file = fopen(path, "w");
    if (file == NULL || PEM_write_X509(file, identity->certificate) != 1 ||
        (with_key && PEM_write_PrivateKey(file, identity->key, NULL, NULL, 0, NULL, NULL) != 1) ||
        fclose(file) != 0)
        die(path);
}

static void drop(struct identity *identity)
{
    EVP_PKEY_free(identity->key);
    X509_free(identity->certificate);
}

static int make_ca(const char *folder)
{
    static const char here[] = "IP:127.0.0.1,DNS:localhost";
    struct identity ca = make("throw-away authority", NULL, -DAY_S * 3, DAY_S, NULL);
    struct identity other = make("another authority", NULL, -DAY_S * 3, DAY_S, NULL);
    struct identity good = make("127.0.0.1", here, -DAY_S * 2, DAY_S, &ca);
    struct identity wrong = make("elsewhere", "DNS:elsewhere.invalid", -DAY_S * 2, DAY_S, &ca);
    struct identity expired = make("127.0.0.1", here, -DAY_S * 2, -DAY_S, &ca);
    struct identity stranger = make("127.0.0.1", here, -DAY_S * 2, DAY_S, &other);

    write_identity(folder, "ca", &ca, 0);
    write_identity(folder, "good", &good, 1);
    write_identity(folder, "wrong-name", &wrong, 1);
    write_identity(folder, "expired", &expired, 1);
    write_identity(folder, "stranger", &stranger, 1);
    drop(&ca);
    drop(&other);
    drop(&good);
    drop(&wrong);
    drop(&expired);
    drop(&stranger);
    return 0;
}

/* --- a connection
 * ------------------------------------------------------------------------------------------- */

static struct {
    const char *folder, *tls;
    char token[4200];
    int port;
} settings;

struct connection {
    int fd;
    SSL *ssl;
    char head[HEAD_MAX];
    size_t head_size; /* with the empty line */
    char method[16], path[2048];
    long announced, received;
    char wanted_digest[128];
    int token; /* 1 ok, -1 another one, 0 none */
    char *body;
};

static long take(struct connection *c, char *bytes, size_t size)
{
    if (c->ssl != NULL)
        return SSL_read(c->ssl, bytes, (int)size);
    return recv(c->fd, bytes, size, 0);
}

static void give(struct connection *c, const char *bytes, size_t size)
{
    if (c->ssl != NULL)
        (void)SSL_write(c->ssl, bytes, (int)size);
    else
        (void)send(c->fd, bytes, size, MSG_NOSIGNAL);
}

static const char *header(const struct connection *c, const char *name)
{
    static char value[HEAD_MAX];
    size_t length = strlen(name);

    for (const char *line = strchr(c->head, '\n'); line != NULL; line = strchr(line, '\n')) {
        line++;
        if (strncasecmp(line, name, length) == 0 && line[length] == ':') {
            const char *from = line + length + 1 + strspn(line + length + 1, " ");

            (void)snprintf(value, sizeof value, "%.*s", (int)strcspn(from, "\r\n"), from);
            return value;
        }
    }
    return NULL;
}

static int read_head(struct connection *c)
{
    const char *value;

    while (strstr(c->head, "\r\n\r\n") == NULL) {
        if (c->head_size + 1 >= sizeof c->head || take(c, c->head + c->head_size, 1) != 1)
            return -1;
        c->head[++c->head_size] = '\0';
    }
    if (sscanf(c->head, "%15s %2047s", c->method, c->path) != 2)
        return -1;
    value = header(c, "Content-Length");
    c->announced = value != NULL ? atol(value) : 0;
    value = header(c, "Content-Digest");
    (void)snprintf(c->wanted_digest, sizeof c->wanted_digest, "%s", value != NULL ? value : "");
    value = header(c, "Authorization");
    if (value != NULL)
        c->token = strncmp(value, "Bearer ", 7) == 0 && strcmp(value + 7, settings.token) == 0 ? 1 : -1;
    if (c->announced < 0 || c->announced > BODY_MAX)
        return -1;
    c->body = malloc((size_t)c->announced + 1);
    return c->body != NULL ? 0 : -1;
}

static int read_body(struct connection *c, long up_to, long pause_ms)
{
    while (c->received < up_to) {
        long left = up_to - c->received;
        long count = take(c, c->body + c->received, left < PIECE ? (size_t)left : PIECE);

        if (count <= 0)
            return -1;
        c->received += count;
        if (pause_ms > 0) {
            struct timespec pause = {pause_ms / 1000, pause_ms % 1000 * 1000000};

            (void)nanosleep(&pause, NULL);
        }
    }
    return 0;
}

static const char *digest_word(const struct connection *c)
{
    unsigned char digest[EVP_MAX_MD_SIZE];
    unsigned char text[128];
    char value[160];

    if (c->wanted_digest[0] == '\0')
        return "none";
    if (c->received < c->announced ||
        EVP_Digest(c->body, (size_t)c->received, digest, NULL, EVP_sha256(), NULL) != 1)
        return "bad";
    (void)EVP_EncodeBlock(text, digest, 32);
    (void)snprintf(value, sizeof value, "sha-256=:%s:", (const char *)text);
    return strcmp(value, c->wanted_digest) == 0 ? "ok" : "bad";
}

static void log_request(const struct connection *c, const char *answer)
{
    char path[4096];
    FILE *file;

    (void)snprintf(path, sizeof path, "%s/log", settings.folder);
    file = fopen(path, "a");
    if (file == NULL)
        die(path);
    fprintf(file, "%s %s %s bytes=%ld/%ld digest=%s token=%s\n", c->method, c->path, answer, c->received,
            c->announced, digest_word(c),
            c->token > 0   ? "ok"
            : c->token < 0 ? "bad"
                           : "none");
    (void)fclose(file);
}

static void store(const struct connection *c)
{
    char path[4096], name[2048];
    FILE *file;

    (void)snprintf(name, sizeof name, "%s", c->path + 1);
    for (char *at = name; *at != '\0'; at++)
        *at = *at == '/' ? '_' : *at;
    (void)snprintf(path, sizeof path, "%s/store", settings.folder);
    (void)mkdir(path, 0755);
    (void)snprintf(path, sizeof path, "%s/store/%.2000s", settings.folder, name);
    file = fopen(path, "w");
    if (file == NULL || fwrite(c->body, 1, (size_t)c->received, file) != (size_t)c->received ||
        fclose(file) != 0)
        die(path);
}

static void reply(struct connection *c, int status, const char *extra, const char *body)
{
    char text[HEAD_MAX + 1024];
    int length =
        snprintf(text, sizeof text, "HTTP/1.1 %d x\r\nContent-Length: %zu\r\nConnection: close\r\n%s\r\n%s",
                 status, strlen(body), extra, body);

    give(c, text, (size_t)length);
}

static void retry_after(const char *words, char *ret_extra, size_t size)
{
    time_t when = time(NULL) + atol(words + 1);
    char date[64];

    if (words[0] != '@') {
        (void)snprintf(ret_extra, size, "Retry-After: %s\r\n", words);
        return;
    }
    (void)strftime(date, sizeof date, "%a, %d %b %Y %H:%M:%S GMT", gmtime(&when)); /* RFC 9110, 5.6.7 */
    (void)snprintf(ret_extra, size, "Retry-After: %s\r\n", date);
}

static void answer_status(struct connection *c, const char *answer)
{
    char extra[200] = "";
    const char *colon = strchr(answer, ':');

    if (header(c, "Expect") != NULL)
        give(c, "HTTP/1.1 100 Continue\r\n\r\n", 25);
    if (read_body(c, c->announced, 0) != 0)
        return;
    if (colon != NULL)
        retry_after(colon + 1, extra, sizeof extra);
    if (atoi(answer) / 100 == 3)
        (void)snprintf(extra, sizeof extra, "Location: %s://127.0.0.1:%d/elsewhere\r\n",
                       settings.tls != NULL ? "https" : "http", settings.port);
    if (atoi(answer) / 100 == 2)
        store(c);
    reply(c, atoi(answer), extra, "");
}

static void act(struct connection *c, const char *answer)
{
    char byte;

    if (strncmp(answer, "early:", 6) == 0) {
        reply(c, atoi(answer + 6), "", "");
    } else if (strncmp(answer, "slow:", 5) == 0) {
        give(c, "HTTP/1.1 100 Continue\r\n\r\n", header(c, "Expect") != NULL ? 25 : 0);
        if (read_body(c, c->announced, atol(answer + 5)) == 0) {
            store(c);
            reply(c, 201, "", "");
        }
    } else if (strncmp(answer, "cut:", 4) == 0) {
        long bytes = atol(answer + 4);

        give(c, "HTTP/1.1 100 Continue\r\n\r\n", header(c, "Expect") != NULL ? 25 : 0);
        (void)read_body(c, bytes < c->announced ? bytes : c->announced, 0);
    } else if (strcmp(answer, "mute") == 0) {
        (void)read_body(c, c->announced, 0);
        while (take(c, &byte, 1) > 0)
            ;
    } else if (strncmp(answer, "echo:", 5) == 0) {
        (void)read_body(c, c->announced, 0);
        store(c);
        reply(c, atoi(answer + 5), "X-Repeated: yes\r\n", c->head);
    } else {
        answer_status(c, answer);
    }
}

static void serve(int fd, SSL_CTX *context, const char *answer, int *used)
{
    struct connection *c = calloc(1, sizeof *c);

    if (c == NULL)
        die("memory");
    c->fd = fd;
    if (context != NULL) {
        c->ssl = SSL_new(context);
        (void)SSL_set_fd(c->ssl, fd);
    }
    if ((c->ssl == NULL || SSL_accept(c->ssl) == 1) && read_head(c) == 0) {
        *used = 1;
        act(c, answer);
        log_request(c, answer);
    }
    if (c->ssl != NULL) {
        if (strncmp(answer, "cut:", 4) != 0)
            (void)SSL_shutdown(c->ssl);
        SSL_free(c->ssl);
    }
    ERR_clear_error();
    free(c->body);
    free(c);
    if (strncmp(answer, "early:", 6) == 0) { /* an orderly end: the answer is not lost by a reset */
        char rest[PIECE];

        (void)shutdown(fd, SHUT_WR);
        while (recv(fd, rest, sizeof rest, 0) > 0)
            ;
    }
    (void)close(fd);
}

static SSL_CTX *tls_context(void)
{
    SSL_CTX *context = SSL_CTX_new(TLS_server_method());

    if (context == NULL || SSL_CTX_use_certificate_file(context, settings.tls, SSL_FILETYPE_PEM) != 1 ||
        SSL_CTX_use_PrivateKey_file(context, settings.tls, SSL_FILETYPE_PEM) != 1)
        die(settings.tls);
    return context;
}

static int listen_here(void)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons((uint16_t)settings.port)};
    socklen_t size = sizeof address;
    char path[4096], beside[4096];
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    int one = 1;
    FILE *file;

    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    (void)setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    if (fd < 0 || bind(fd, (struct sockaddr *)&address, sizeof address) != 0 || listen(fd, 8) != 0 ||
        getsockname(fd, (struct sockaddr *)&address, &size) != 0)
        die("listen");
    settings.port = ntohs(address.sin_port);
    (void)snprintf(path, sizeof path, "%s/port", settings.folder);
    (void)snprintf(beside, sizeof beside, "%s/port.new", settings.folder);
    file = fopen(beside, "w");
    if (file == NULL || fprintf(file, "%d\n", settings.port) < 0 || fclose(file) != 0 ||
        rename(beside, path) != 0)
        die(path);
    return fd;
}

static void read_token(const char *path)
{
    FILE *file = fopen(path, "r");

    if (file == NULL || fgets(settings.token, sizeof settings.token, file) == NULL)
        die(path);
    settings.token[strcspn(settings.token, "\r\n")] = '\0';
    (void)fclose(file);
}

int main(int argc, char **argv)
{
    SSL_CTX *context = NULL;
    int at = 1;
    int fd;

    if (argc == 3 && strcmp(argv[1], "--make-ca") == 0)
        return make_ca(argv[2]);
    for (; at + 1 < argc && strncmp(argv[at], "--", 2) == 0; at += 2) {
        if (strcmp(argv[at], "--folder") == 0)
            settings.folder = argv[at + 1];
        else if (strcmp(argv[at], "--tls") == 0)
            settings.tls = argv[at + 1];
        else if (strcmp(argv[at], "--token") == 0)
            read_token(argv[at + 1]);
        else if (strcmp(argv[at], "--port") == 0)
            settings.port = atoi(argv[at + 1]);
    }
    if (settings.folder == NULL || at >= argc) {
        fprintf(stderr,
                "usage: upload_server --folder DIR [--tls FILE] [--token FILE] [--port N] ANSWER...\n");
        return 2;
    }
    (void)signal(SIGPIPE, SIG_IGN);
    (void)alarm(LIFE_S);
    if (settings.tls != NULL)
        context = tls_context();
    fd = listen_here();
    for (;;) {
        int connection = accept4(fd, NULL, NULL, SOCK_CLOEXEC);
        int used = 0;

        if (connection < 0)
            die("accept");
        serve(connection, context, argv[at], &used);
        at += used && at + 1 < argc;
    }
}
