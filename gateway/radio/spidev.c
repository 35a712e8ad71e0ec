#include "gateway/radio/spidev.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/spi/spidev.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

static const char *remedy(int error)
{
    switch (error) {
    case ENOENT:
        return "Switch SPI on in this board's configuration (its device tree), and see which "
               "/dev/spidev* exist";
    case EACCES:
    case EPERM:
        return "The service's user must belong to the group that owns the device (often spi), and "
               "the unit must allow the device";
    case EBUSY:
        return "Another program or a kernel driver holds it: stop that first";
    case ENOTTY:
        return "It is no SPI device: name one like /dev/spidev0.0";
    default:
        return "Look at the kernel's messages (dmesg)";
    }
}

static int refuse(const char *path, const char *what, int error, char *why, size_t size)
{
    snprintf(why, size, "%s: %s: %s. %s.", path, what, strerror(error), remedy(error));
    return -error;
}

int spidev_open(const char *path, uint32_t hz, char *why, size_t why_size)
{
    uint8_t mode = SPI_MODE_0, bits = 8;
    int fd = open(path, O_RDWR | O_CLOEXEC);
    int r;

    if (fd < 0)
        return refuse(path, "the SPI device cannot be opened", errno, why, why_size);
    if (ioctl(fd, SPI_IOC_WR_MODE, &mode) < 0 || ioctl(fd, SPI_IOC_WR_BITS_PER_WORD, &bits) < 0 ||
        ioctl(fd, SPI_IOC_WR_MAX_SPEED_HZ, &hz) < 0) {
        r = refuse(path, "the SPI device cannot be set up", errno, why, why_size);
        close(fd);
        return r;
    }
    return fd;
}

int spidev_transfer(int fd, uint32_t hz, const uint8_t *out, uint8_t *in, size_t len)
{
    struct spi_ioc_transfer transfer = {.tx_buf = (uintptr_t)out,
                                        .rx_buf = (uintptr_t)in,
                                        .len = (uint32_t)len,
                                        .speed_hz = hz,
                                        .bits_per_word = 8};

    return ioctl(fd, SPI_IOC_MESSAGE(1), &transfer) < 0 ? -errno : 0;
}
