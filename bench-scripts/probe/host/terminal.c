/* The core over the stand-in, on a pseudo-terminal whose name is printed: for clients that were
 * written elsewhere. Ends when its standard input does. */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE

#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

#include "stand_in.h"

static uint8_t outbox[4096];
static size_t waiting;
static int master;

static void flush(void)
{
    size_t done = 0;

    while (done < waiting) {
        const ssize_t count = write(master, outbox + done, waiting - done);

        if (count <= 0) {
            break;
        }
        done += (size_t)count;
    }
    waiting = 0;
}

static void out(uint8_t byte)
{
    outbox[waiting++] = byte;
    if (waiting == sizeof outbox) {
        flush();
    }
}

/* The client's end stays open here, so that clients may come and go. */
static int open_terminal(void)
{
    struct termios line;
    int slave;

    master = posix_openpt(O_RDWR | O_NOCTTY);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) {
        return -1;
    }
    slave = open(ptsname(master), O_RDWR | O_NOCTTY);
    if (slave < 0 || tcgetattr(slave, &line) != 0) {
        return -1;
    }
    cfmakeraw(&line);
    return tcsetattr(slave, TCSANOW, &line);
}

int main(void)
{
    struct stand_in s;
    struct probe_host_table table;
    struct probe_host *const host = malloc(probe_host_size());
    struct pollfd ends[2] = {{0, POLLIN, 0}, {STDIN_FILENO, POLLIN, 0}};
    uint8_t bytes[256];

    if (host == NULL || open_terminal() != 0) {
        perror("terminal");
        return 1;
    }
    stand_in_init(&s, out);
    table = stand_in_table(&s);
    probe_host_init(host, &table, &s);
    printf("port %s\n", ptsname(master));
    fflush(stdout);
    ends[0].fd = master;
    while (poll(ends, 2, -1) > 0) {
        if (ends[1].revents != 0 && read(STDIN_FILENO, bytes, sizeof bytes) <= 0) {
            break;
        }
        if (ends[0].revents != 0) {
            const ssize_t count = read(master, bytes, sizeof bytes);
            ssize_t i;

            for (i = 0; i < count; i++) {
                probe_host_receive(host, bytes[i]);
            }
            probe_host_poll(host);
            flush();
        }
    }
    free(host);
    return 0;
}
