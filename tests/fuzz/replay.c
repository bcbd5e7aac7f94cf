/* Feeds every file of the folders on the command line to the target that this is linked with. No engine. */
#include <dirent.h>
#include <limits.h>
#include <sys/stat.h>

#include "fuzz.h"

#define CASE_BYTES_MAX (1024 * 1024)

static void replay_file(const char *path)
{
    static uint8_t bytes[CASE_BYTES_MAX + 1];
    FILE *file = fopen(path, "rb");
    size_t size;

    MUST(file != NULL);
    size = fread(bytes, 1, sizeof bytes, file);
    MUST(size <= CASE_BYTES_MAX && !ferror(file));
    (void)fclose(file);
    (void)fprintf(stderr, "%s\n", path); /* the last one named is the one that failed */
    MUST(LLVMFuzzerTestOneInput(bytes, size) == 0);
}

static int replay_folder(const char *folder)
{
    DIR *directory = opendir(folder);
    struct dirent *entry;
    int count = 0;

    MUST(directory != NULL);
    while ((entry = readdir(directory)) != NULL) {
        char path[PATH_MAX];
        struct stat facts;

        MUST(snprintf(path, sizeof path, "%s/%s", folder, entry->d_name) < (int)sizeof path);
        if (stat(path, &facts) != 0 || !S_ISREG(facts.st_mode))
            continue;
        replay_file(path);
        count++;
    }
    (void)closedir(directory);
    return count;
}

int main(int argc, char **argv)
{
    int count = 0;

    MUST(LLVMFuzzerTestOneInput((const uint8_t *)"", 0) == 0);
    for (int i = 1; i < argc; i++)
        count += replay_folder(argv[i]);
    (void)printf("%d cases\n", count);
    return count > 0 ? 0 : 1; /* no case at all is no pass */
}
