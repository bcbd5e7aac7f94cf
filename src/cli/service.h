/* search --install-service and --remove-service: a search that goes on at every boot. */
#ifndef HOLDFAST_CLI_SERVICE_H
#define HOLDFAST_CLI_SERVICE_H

struct hf_service_request {
    const char *root;    /* below which files are written; NULL: this machine's */
    const char *run;     /* the run's directory; it must hold a run that has begun */
    int accept_the_risk; /* further arguments of the search */
    const char *guard;   /* NULL: none */
};

/* Writes the unit, its link and, when there are further arguments, a file of them; shows each with what it
 * holds. Without systemd nothing is written, and a line for the start-up script is printed. Nothing is
 * started. Both return the exit status. */
int hf_service_install(const struct hf_service_request *request);
/* Takes back what hf_service_install() wrote, and shows it. Files of the same name that it did not write stay
 * where they are. */
int hf_service_remove(const struct hf_service_request *request);

#endif
