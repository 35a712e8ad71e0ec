#include "mail_server.h"

#include <check.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static char certificate_folder[80];

const char *mail_server_certificate(void)
{
    static char path[120];
    if (path[0] != '\0')
        return path;
    char command[700];
    strcpy(certificate_folder, "/tmp/edgerow-mail-XXXXXX");
    ck_assert_ptr_ne(mkdtemp(certificate_folder), NULL);
    snprintf(path, sizeof(path), "%s/cert.pem", certificate_folder);
    snprintf(command, sizeof(command),
             "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
             " -subj /CN=127.0.0.1 -addext subjectAltName=IP:127.0.0.1"
             " -keyout %s/key.pem -out %s/cert.pem 2>/dev/null",
             certificate_folder, certificate_folder);
    ck_assert_int_eq(system(command), 0);
    return path;
}

void mail_server_end(void)
{
    char command[120];
    snprintf(command, sizeof(command), "rm -rf '%s'", certificate_folder);
    if (certificate_folder[0] != '\0' && system(command) != 0)
        fprintf(stderr, "%s is left behind\n", certificate_folder);
}

static void run_server(const char *mode, const char *out, const char *auth, const char *faults)
{
    char script[400], key[120];
    const char *arguments[] = {"python3", script, mode, out,  "--auth", auth, "--faults",
                               faults,    NULL,   NULL, NULL, NULL,     NULL};
    snprintf(script, sizeof(script), "%s/tests/unit/delivery/mail_server.py",
             getenv("EDGEROW_SOURCE"));
    if (strcmp(mode, "plain") != 0) {
        arguments[8] = "--cert";
        arguments[9] = mail_server_certificate();
        snprintf(key, sizeof(key), "%s/key.pem", certificate_folder);
        arguments[10] = "--key";
        arguments[11] = key;
    }
    execvp("python3", (char *const *)arguments);
    _exit(127);
}

void mail_server_start(struct mail_server *server, const char *mode, const char *auth,
                       const char *faults)
{
    int in[2], out[2];
    char line[20] = "";
    if (strcmp(mode, "plain") != 0)
        mail_server_certificate();
    strcpy(server->folder, "/tmp/edgerow-mail-XXXXXX");
    ck_assert_ptr_ne(mkdtemp(server->folder), NULL);
    ck_assert_int_eq(pipe2(in, O_CLOEXEC) | pipe2(out, O_CLOEXEC), 0);
    server->pid = fork();
    ck_assert_int_ge(server->pid, 0);
    if (server->pid == 0) {
        dup2(in[0], 0);
        dup2(out[1], 1);
        run_server(mode, server->folder, auth, faults);
    }
    close(in[0]);
    close(out[1]);
    server->hold = in[1];
    FILE *from = fdopen(out[0], "r");
    ck_assert_msg(fgets(line, sizeof(line), from) != NULL, "the mail server did not start");
    server->port = atoi(line);
    fclose(from);
}

void mail_server_stop(struct mail_server *server)
{
    char command[160];
    if (server->pid <= 0)
        return;
    close(server->hold);
    kill(server->pid, SIGTERM);
    waitpid(server->pid, NULL, 0);
    server->pid = 0;
    snprintf(command, sizeof(command), "rm -rf %s", server->folder);
    ck_assert_int_eq(system(command), 0);
}

int mail_server_count(const struct mail_server *server)
{
    for (int n = 1;; n++) {
        char path[120];
        snprintf(path, sizeof(path), "%s/%d.eml", server->folder, n);
        if (access(path, F_OK) != 0)
            return n - 1;
    }
}

char *mail_server_message(const struct mail_server *server, int n, size_t *len)
{
    char path[120];
    snprintf(path, sizeof(path), "%s/%d.eml", server->folder, n);
    FILE *file = fopen(path, "r");
    ck_assert_msg(file != NULL, "no message %d", n);
    char *bytes = calloc(1, 1 << 20);
    *len = fread(bytes, 1, (1 << 20) - 1, file);
    fclose(file);
    return bytes;
}

int mail_server_logged(const struct mail_server *server, const char *begin)
{
    char path[120], line[1000];
    int found = 0;
    snprintf(path, sizeof(path), "%s/log", server->folder);
    FILE *file = fopen(path, "r");
    while (file != NULL && fgets(line, sizeof(line), file) != NULL)
        found |= strncmp(line, begin, strlen(begin)) == 0;
    if (file != NULL)
        fclose(file);
    return found;
}
