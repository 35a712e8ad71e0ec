#include "deploy/rehearsal/loopback.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <stdint.h>
#include <sys/socket.h>
#include <unistd.h>

static struct sockaddr_in loopback(int port)
{
    return (struct sockaddr_in){.sin_family = AF_INET,
                                .sin_addr.s_addr = htonl(INADDR_LOOPBACK),
                                .sin_port = htons((uint16_t)port)};
}

int loopback_listen(int *port)
{
    struct sockaddr_in address = loopback(*port);
    socklen_t len = sizeof address;
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), yes = 1;
    if (fd < 0)
        return -errno;
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    if (bind(fd, (struct sockaddr *)&address, len) != 0 || listen(fd, 8) != 0 ||
        getsockname(fd, (struct sockaddr *)&address, &len) != 0) {
        int error = errno;
        close(fd);
        return -error;
    }
    *port = ntohs(address.sin_port);
    return fd;
}

int loopback_connect(int port)
{
    struct sockaddr_in address = loopback(port);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -errno;
    if (connect(fd, (struct sockaddr *)&address, sizeof address) != 0) {
        int error = errno;
        close(fd);
        return -error;
    }
    return fd;
}

int loopback_free_port(void)
{
    int port = 0, fd = loopback_listen(&port);
    if (fd < 0)
        return fd;
    close(fd);
    return port;
}
