#include "broker.h"

#include <arpa/inet.h>
#include <check.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static struct sockaddr_in loopback(int port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};

    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    return address;
}

int broker_free_port(void)
{
    struct sockaddr_in address = loopback(0);
    socklen_t len = sizeof address;
    int fd = socket(AF_INET, SOCK_STREAM, 0);

    ck_assert_int_eq(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    ck_assert_int_eq(getsockname(fd, (struct sockaddr *)&address, &len), 0);
    close(fd);
    return ntohs(address.sin_port);
}

const char *broker_file(const struct broker *broker, const char *name, const char *text)
{
    static char path[128];

    snprintf(path, sizeof path, "%s/%s", broker->folder, name);
    if (text) {
        FILE *file = fopen(path, "w");
        ck_assert_ptr_nonnull(file);
        fputs(text, file);
        fclose(file);
        chmod(path, 0600);
    }
    return path;
}

void broker_prepare(struct broker *broker, const char *extra)
{
    char text[2048];

    strcpy(broker->folder, "/tmp/edgerow-broker-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(broker->folder));
    broker->port = broker_free_port();
    broker->pid = 0;
    snprintf(
        text, sizeof text,
        "persistence true\npersistence_location %s/\nautosave_on_changes true\n"
        "autosave_interval 1\nuser root\nmax_inflight_messages 1000\nmax_queued_messages 100000\n"
        "set_tcp_nodelay true\nlistener %d 127.0.0.1\n%s",
        broker->folder, broker->port, extra ? extra : "allow_anonymous true\n");
    broker_file(broker, "broker.conf", text);
}

static void wait_for_listener(int port)
{
    struct sockaddr_in address = loopback(port);

    for (int i = 0; i < 500; i++) {
        int fd = socket(AF_INET, SOCK_STREAM, 0);
        int rc = connect(fd, (struct sockaddr *)&address, sizeof address);
        close(fd);
        if (rc == 0)
            return;
        usleep(10000);
    }
    ck_abort_msg("the broker does not listen on port %d", port);
}

void broker_start(struct broker *broker)
{
    const char *config = broker_file(broker, "broker.conf", NULL);

    broker->pid = fork();
    ck_assert_int_ge(broker->pid, 0);
    if (broker->pid == 0) {
        int log = open("/dev/null", O_WRONLY);
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        dup2(log, STDERR_FILENO);
        execl("/usr/sbin/mosquitto", "mosquitto", "-c", config, (char *)NULL);
        _exit(127);
    }
    wait_for_listener(broker->port);
}

void broker_stop(struct broker *broker, int signal)
{
    if (broker->pid <= 0)
        return;
    kill(broker->pid, signal);
    waitpid(broker->pid, NULL, 0);
    broker->pid = 0;
}

void broker_remove(struct broker *broker)
{
    char command[80];

    broker_stop(broker, SIGKILL);
    snprintf(command, sizeof command, "rm -rf %s", broker->folder);
    ck_assert_int_eq(system(command), 0);
}
