/*
 * What general-purpose libraries reach on this core: OpenBLAS's dgemm, OpenSSL's AES-128 and SHA-256. Built
 * with -DHOLDFAST_COMPARE=ON only and never part of the program: `holdfast bench --compare PROGRAM` runs it,
 * pinned to the same CPU, and prints how the kernels stand beside it.
 *
 * Prints one JSON object; rates are the best of several runs, for others on the machine only lower them:
 *   {"dgemm_gflops": 2 n^3 a second for square matrices of n = 384 to 1024, the fastest n,
 *    "aes128_gbytes_per_s": AES-128 in counter mode, "sha256_gbytes_per_s": SHA-256, both over 1 MiB}
 */
#include <cblas.h>
#include <openssl/evp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define RUNS  7
#define BYTES (1 << 20)
#define N_MAX 1024

static double seconds_now(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static double dgemm_gflops(int n, const double *a, const double *b, double *c)
{
    double best = 0;

    for (int run = 0; run < RUNS; run++) {
        double begin = seconds_now();
        double rate;

        cblas_dgemm(CblasRowMajor, CblasNoTrans, CblasNoTrans, n, n, n, 1, a, n, b, n, 0, c, n);
        rate = 2e-9 * n * n * n / (seconds_now() - begin);
        best = rate > best ? rate : best;
    }
    return best;
}

static double best_dgemm(void)
{
    double *memory = calloc(3 * (size_t)N_MAX * N_MAX, sizeof(double));
    double best = 0;

    if (memory == NULL)
        return 0;
    for (int i = 0; i < 2 * N_MAX * N_MAX; i++)
        memory[i] = (double)(i % 1000) / 1000;
    for (int n = 384; n <= N_MAX; n += 128) {
        double rate = dgemm_gflops(n, memory, memory + N_MAX * N_MAX, memory + 2 * N_MAX * N_MAX);

        best = rate > best ? rate : best;
    }
    free(memory);
    return best;
}

static double aes_gbytes_per_s(unsigned char *bytes)
{
    static const unsigned char key[16] = {1}, counter[16] = {2};
    EVP_CIPHER_CTX *context = EVP_CIPHER_CTX_new();
    double best = 0;

    if (context == NULL)
        return 0;
    for (int run = 0; run < 8 * RUNS; run++) {
        double begin = seconds_now();
        double rate;
        int size = 0;

        if (EVP_EncryptInit_ex(context, EVP_aes_128_ctr(), NULL, key, counter) != 1 ||
            EVP_EncryptUpdate(context, bytes, &size, bytes, BYTES) != 1 || size != BYTES)
            break;
        rate = 1e-9 * BYTES / (seconds_now() - begin);
        best = rate > best ? rate : best;
    }
    EVP_CIPHER_CTX_free(context);
    return best;
}

static double sha_gbytes_per_s(const unsigned char *bytes)
{
    unsigned char digest[EVP_MAX_MD_SIZE];
    double best = 0;

    for (int run = 0; run < 2 * RUNS; run++) {
        double begin = seconds_now();
        double rate;

        if (EVP_Digest(bytes, BYTES, digest, NULL, EVP_sha256(), NULL) != 1)
            return 0;
        rate = 1e-9 * BYTES / (seconds_now() - begin);
        best = rate > best ? rate : best;
    }
    return best;
}

int main(void)
{
    static unsigned char bytes[BYTES];

    openblas_set_num_threads(1);
    memset(bytes, 0x5a, sizeof bytes);
    printf("{\"dgemm_gflops\": %.2f, \"aes128_gbytes_per_s\": %.3f, \"sha256_gbytes_per_s\": %.3f}\n",
           best_dgemm(), aes_gbytes_per_s(bytes), sha_gbytes_per_s(bytes));
    return 0;
}
