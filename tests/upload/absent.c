/* The same sources without HOLDFAST_UPLOAD: they build, and say so. */
#include <stdio.h>
#include <string.h>

#include "holdfast/upload.h"

int main(void)
{
    struct hf_upload_options options = {.url = "https://store.example"};
    struct hf_uploader *uploader = NULL;
    struct hf_error error = {0};
    int code = hf_uploader_new(NULL, NULL, &options, &uploader, &error);

    hf_uploader_wake(uploader);
    hf_uploader_close(uploader);
    if (hf_upload_is_built() || code != HF_E_MISSING || uploader != NULL ||
        strstr(error.message, "without HOLDFAST_UPLOAD") == NULL) {
        printf("built %d, code %d, \"%s\"\n", hf_upload_is_built(), code, error.message);
        return 1;
    }
    printf("%s\n", error.message);
    return 0;
}
