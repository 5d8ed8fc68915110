/*
 * peer: an independent Modbus server for the tests, TCP or serial RTU, on libmodbus.
 *
 * Owns: the tables it serves and the frames it answers with; both come from libmodbus, so that not one line of Go that
 *       encodes Modbus stands on both sides of a test.
 * Never: calls modbus_set_float_*. libmodbus 3.1.6 as packaged by Debian swaps bytes there (modbus_set_float_abcd(18.4)
 *       stores 9341 3333, not 4193 3333; seen by running it). Words are composed here, by hand, from the IEEE 754 bits,
 *       and a fixed vector is checked before the first client is let in.
 *
 * Usage: peer PORT [SIZE]     PORT 0: the kernel picks. SIZE: addresses per table and unit, default 2000; an address
 *                             beyond it is answered with exception 02.
 *        peer serial DEVICE BAUD N|E|O [SIZE]
 * stdout: "listening PORT" or "listening DEVICE" once, then one line per command: "ok", "ok WHAT", or "error WHY".
 * stdin, one command a line (ADDR is the wire address, 0-based; decimal or 0x):
 *
 *   unit N                          the following setters are about unit N (1..247); starts as 1
 *   holding ADDR WORD...            words in hex, as on the wire
 *   input ADDR WORD...
 *   coil ADDR 0|1
 *   discrete ADDR 0|1
 *   i16|u16|i32|u32|f32|f64 holding|input ADDR ORDER VALUE
 *                                   ORDER of 4 bytes: ABCD CDAB BADC DCBA. 8 bytes: the same rule carried on (CDAB is the
 *                                   words from last to first, BADC the bytes of each word exchanged, DCBA both).
 *                                   2 bytes: BADC and DCBA exchange the bytes, the others do not.
 *   silent UNIT on|off              requests for it are read and never answered
 *   exception UNIT CODE|off         requests for it are answered with this exception
 *   drop                            close every client's connection; the listener stays
 *   count                           "ok requests=N writes=N clients=N"; writes are all requests but function 1 to 4
 *   quit                            as does the end of stdin, so that no peer outlives its test
 *
 * A unit that no command has named does not answer: an absent station is silent. One thread, one select loop; a client
 * that stalls in mid-frame holds up the others for libmodbus' byte timeout (0.5 s) and is then hung up on.
 *
 * Serial: libmodbus lets a server be one station only (modbus_receive passes over every other unit before it looks at the
 * CRC, and then takes the next frame for that unit's answer). So the bytes of the line are gathered here until a request is
 * whole, modbus_set_slave() is given its first byte, and the request goes to libmodbus through a socket pair: the CRC, the
 * parsing and the answer with its CRC are libmodbus' own. Whole is a read request of 8 bytes, or, of whatever else, what
 * came before 20 ms of silence. `requests` counts sound frames to any unit; `drop` does nothing there.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

enum {
    UNITS = 248,      /* 0 is broadcast, 248 to 255 are reserved in the protocol */
    CLIENTS = 32,     /* far below FD_SETSIZE; one more is hung up on */
    WORDS_MAX = 123,  /* what one write request could carry: enough for any setter line */
    LINE_MAX_ = 1024, /* a setter with 123 words is 630 bytes */
    READ_BYTES = 8,   /* a request of function 1 to 4 on a serial line: unit, function, address, count, CRC */
    SILENCE_MS = 20,  /* ends any other frame. Far above 3.5 characters: a pty has no pace, but its other side is scheduled */
    SIZE_DEFAULT = 2000
};

struct unit {
    modbus_mapping_t *tables; /* NULL: the unit is absent */
    int silent;
    int exception; /* 0: none */
};

static struct unit units[UNITS];
static int clients[CLIENTS];
static int table_size = SIZE_DEFAULT;
static int current = 1;
static unsigned long requests_seen, writes_seen;

/* ---- composing words ------------------------------------------------------------------------------------------- */

/* order_bits: bit 0 exchanges the bytes of each word, bit 1 turns the words round; -1 for no such order. */
static int order_bits(const char *order)
{
    if (strcmp(order, "ABCD") == 0) return 0;
    if (strcmp(order, "BADC") == 0) return 1;
    if (strcmp(order, "CDAB") == 0) return 2;
    if (strcmp(order, "DCBA") == 0) return 3;
    return -1;
}

/* compose lays the low n*16 bits of a value into n words. Word 0 goes to the lower address. */
static void compose(uint64_t bits, int n, int order, uint16_t *words)
{
    for (int i = 0; i < n; i++) {
        int from_top = (order & 2) ? n - 1 - i : i; /* 0 is the most significant word */
        uint16_t w = (uint16_t)(bits >> (16 * (n - 1 - from_top)));
        if (order & 1) w = (uint16_t)((w << 8) | (w >> 8));
        words[i] = w;
    }
}

static uint64_t bits_of_float(float f)
{
    uint32_t b;
    memcpy(&b, &f, sizeof b);
    return b;
}

static uint64_t bits_of_double(double d)
{
    uint64_t b;
    memcpy(&b, &d, sizeof b);
    return b;
}

/*
 * The vectors were worked by hand from IEEE 754: 18.4 = 1.15 * 2^4, exponent 4+127 = 0x83, fraction 0.15 * 2^23 = 0x133333,
 * so 0x41933333. The double 1.0 is 0x3FF0000000000000; -2 has the sign bit and exponent 1024: 0xC000000000000000.
 */
static int self_check(void)
{
    static const uint16_t f32[4][2] = {{0x4193, 0x3333}, {0x9341, 0x3333}, {0x3333, 0x4193}, {0x3333, 0x9341}};
    static const char *names[4] = {"ABCD", "BADC", "CDAB", "DCBA"};
    static const uint16_t one[4] = {0x0000, 0x0000, 0x0000, 0x3FF0};
    static const uint16_t mixed[4][4] = {{0x0123, 0x4567, 0x89AB, 0xCDEF},
                                         {0x2301, 0x6745, 0xAB89, 0xEFCD},
                                         {0xCDEF, 0x89AB, 0x4567, 0x0123},
                                         {0xEFCD, 0xAB89, 0x6745, 0x2301}};
    uint16_t w[4];
    for (int i = 0; i < 4; i++) {
        int o = order_bits(names[i]);
        compose(bits_of_float(18.4f), 2, o, w);
        if (memcmp(w, f32[i], sizeof f32[i]) != 0) {
            fprintf(stderr, "self-check: 18.4 in %s is %04X %04X, want %04X %04X\n", names[i], w[0], w[1], f32[i][0], f32[i][1]);
            return -1;
        }
        compose(0x0123456789ABCDEFu, 4, o, w);
        if (memcmp(w, mixed[i], sizeof mixed[i]) != 0) {
            fprintf(stderr, "self-check: 0123456789ABCDEF in %s is %04X %04X %04X %04X\n", names[i], w[0], w[1], w[2], w[3]);
            return -1;
        }
    }
    compose(bits_of_double(1.0), 4, order_bits("CDAB"), w);
    if (memcmp(w, one, sizeof one) != 0 || bits_of_double(-2.0) != 0xC000000000000000u) {
        fprintf(stderr, "self-check: the doubles 1 and -2 are not what IEEE 754 says\n");
        return -1;
    }
    return 0;
}

/* ---- commands -------------------------------------------------------------------------------------------------- */

static int parse_int(const char *s, long lo, long hi, long *out)
{
    char *end;
    if (s == NULL || *s == '\0') return -1;
    errno = 0;
    *out = strtol(s, &end, 0);
    return (errno != 0 || *end != '\0' || *out < lo || *out > hi) ? -1 : 0;
}

static modbus_mapping_t *tables_of(int unit)
{
    if (units[unit].tables == NULL)
        units[unit].tables = modbus_mapping_new(table_size, table_size, table_size, table_size);
    return units[unit].tables;
}

static const char *store(const char *table, long addr, const uint16_t *words, int n)
{
    modbus_mapping_t *m = tables_of(current);
    if (m == NULL) return "no memory";
    if (addr + n > table_size) return "address beyond the table";
    uint16_t *to = strcmp(table, "input") == 0 ? m->tab_input_registers : m->tab_registers;
    memcpy(to + addr, words, (size_t)n * sizeof *words);
    return NULL;
}

static const char *set_words(const char *table, char **save)
{
    uint16_t words[WORDS_MAX];
    long addr, w;
    int n = 0;
    if (parse_int(strtok_r(NULL, " ", save), 0, 65535, &addr) != 0) return "address wanted, 0 to 65535";
    for (char *s; (s = strtok_r(NULL, " ", save)) != NULL; n++) {
        char *end;
        if (n == WORDS_MAX) return "too many words";
        w = strtol(s, &end, 16);
        if (*end != '\0' || w < 0 || w > 0xFFFF) return "words wanted in hex, 0000 to FFFF";
        words[n] = (uint16_t)w;
    }
    if (n == 0) return "at least one word wanted";
    return store(table, addr, words, n);
}

static const char *set_bit(const char *table, char **save)
{
    long addr, v;
    modbus_mapping_t *m = tables_of(current);
    if (m == NULL) return "no memory";
    if (parse_int(strtok_r(NULL, " ", save), 0, 65535, &addr) != 0) return "address wanted, 0 to 65535";
    if (parse_int(strtok_r(NULL, " ", save), 0, 1, &v) != 0) return "0 or 1 wanted";
    if (addr >= table_size) return "address beyond the table";
    (strcmp(table, "discrete") == 0 ? m->tab_input_bits : m->tab_bits)[addr] = (uint8_t)v;
    return NULL;
}

static const char *set_typed(const char *type, char **save)
{
    const char *table = strtok_r(NULL, " ", save);
    const char *addr_text = strtok_r(NULL, " ", save);
    const char *order_text = strtok_r(NULL, " ", save);
    const char *value = strtok_r(NULL, " ", save);
    uint16_t words[4];
    uint64_t bits = 0;
    char *end = NULL;
    long addr;
    int order, n;

    if (value == NULL) return "wanted: TYPE holding|input ADDR ORDER VALUE";
    if (strcmp(table, "holding") != 0 && strcmp(table, "input") != 0) return "table wanted, holding or input";
    if (parse_int(addr_text, 0, 65535, &addr) != 0) return "address wanted, 0 to 65535";
    if ((order = order_bits(order_text)) < 0) return "order wanted: ABCD CDAB BADC DCBA";

    errno = 0;
    if (type[0] == 'f') {
        /* ERANGE is not looked at: "inf" and a number too large for the type are both wanted in tests. */
        n = strcmp(type, "f64") == 0 ? 4 : 2;
        bits = n == 4 ? bits_of_double(strtod(value, &end)) : bits_of_float(strtof(value, &end));
    } else {
        int width = atoi(type + 1);
        n = width / 16;
        if (type[0] == 'i') {
            long long v = strtoll(value, &end, 0);
            long long top = width == 16 ? INT16_MAX : INT32_MAX;
            if (v > top || v < -top - 1) return "value outside the type";
            bits = (uint64_t)v;
        } else {
            if (value[0] == '-') return "value outside the type";
            unsigned long long v = strtoull(value, &end, 0);
            if (v > (width == 16 ? UINT16_MAX : UINT32_MAX)) return "value outside the type";
            bits = v;
        }
        if (errno != 0) return "value outside the type";
    }
    if (end == value || *end != '\0') return "value is not a number";
    compose(bits, n, order, words);
    return store(table, addr, words, n);
}

static const char *steer(const char *what, char **save)
{
    long unit, code;
    const char *arg;
    if (parse_int(strtok_r(NULL, " ", save), 1, UNITS - 1, &unit) != 0) return "unit wanted, 1 to 247";
    if ((arg = strtok_r(NULL, " ", save)) == NULL) return "on, off or a code wanted";
    if (tables_of((int)unit) == NULL) return "no memory";
    if (strcmp(what, "silent") == 0) {
        if (strcmp(arg, "on") != 0 && strcmp(arg, "off") != 0) return "on or off wanted";
        units[unit].silent = strcmp(arg, "on") == 0;
        return NULL;
    }
    if (strcmp(arg, "off") == 0) {
        units[unit].exception = 0;
        return NULL;
    }
    if (parse_int(arg, 1, 255, &code) != 0) return "exception code wanted, 1 to 255, or off";
    units[unit].exception = (int)code;
    return NULL;
}

static void hang_up(int slot)
{
    close(clients[slot]);
    clients[slot] = -1;
}

/* command carries one line out and answers it; 1 means quit. */
static int command(char *line)
{
    char *save = NULL;
    const char *word = strtok_r(line, " ", &save);
    const char *err = NULL;
    long n;

    if (word == NULL) {
        err = "empty command";
    } else if (strcmp(word, "quit") == 0) {
        printf("ok\n");
        return 1;
    } else if (strcmp(word, "unit") == 0) {
        if (parse_int(strtok_r(NULL, " ", &save), 1, UNITS - 1, &n) != 0)
            err = "unit wanted, 1 to 247";
        else if (tables_of((int)n) == NULL)
            err = "no memory";
        else
            current = (int)n;
    } else if (strcmp(word, "holding") == 0 || strcmp(word, "input") == 0) {
        err = set_words(word, &save);
    } else if (strcmp(word, "coil") == 0 || strcmp(word, "discrete") == 0) {
        err = set_bit(word, &save);
    } else if (strcmp(word, "i16") == 0 || strcmp(word, "u16") == 0 || strcmp(word, "i32") == 0 || strcmp(word, "u32") == 0 ||
               strcmp(word, "f32") == 0 || strcmp(word, "f64") == 0) {
        err = set_typed(word, &save);
    } else if (strcmp(word, "silent") == 0 || strcmp(word, "exception") == 0) {
        err = steer(word, &save);
    } else if (strcmp(word, "drop") == 0) {
        for (int i = 0; i < CLIENTS; i++)
            if (clients[i] >= 0) hang_up(i);
    } else if (strcmp(word, "count") == 0) {
        int open = 0;
        for (int i = 0; i < CLIENTS; i++) open += clients[i] >= 0;
        printf("ok requests=%lu writes=%lu clients=%d\n", requests_seen, writes_seen, open);
        return 0;
    } else {
        err = "no such command";
    }
    if (err == NULL && strtok_r(NULL, " ", &save) != NULL) err = "words left over at the end (the rest was done)";
    if (err != NULL)
        printf("error %s\n", err);
    else
        printf("ok\n");
    return 0;
}

/* commands reads what stdin has and carries out every whole line; 1 means quit. select() and stdio's buffer do not mix. */
static int commands(void)
{
    static char buf[LINE_MAX_];
    static size_t used;
    ssize_t got = read(STDIN_FILENO, buf + used, sizeof buf - used);
    char *nl;

    if (got <= 0) return 1;
    used += (size_t)got;
    while ((nl = memchr(buf, '\n', used)) != NULL) {
        size_t line = (size_t)(nl - buf) + 1;
        *nl = '\0';
        if (nl > buf && nl[-1] == '\r') nl[-1] = '\0';
        if (command(buf)) return 1;
        used -= line;
        memmove(buf, buf + line, used);
    }
    if (used == sizeof buf) {
        printf("error line too long\n");
        used = 0;
    }
    return 0;
}

/* ---- serving --------------------------------------------------------------------------------------------------- */

static int listen_on(long port, int *fd)
{
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t len = sizeof a;
    int on = 1;
    if ((*fd = socket(AF_INET, SOCK_STREAM, 0)) < 0) return -1;
    setsockopt(*fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    if (bind(*fd, (struct sockaddr *)&a, sizeof a) != 0 || listen(*fd, CLIENTS) != 0) return -1;
    if (getsockname(*fd, (struct sockaddr *)&a, &len) != 0) return -1;
    return ntohs(a.sin_port);
}

static void admit(int listener)
{
    int on = 1;
    int fd = accept(listener, NULL, NULL);
    if (fd < 0) return;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    for (int i = 0; i < CLIENTS; i++)
        if (clients[i] < 0) {
            clients[i] = fd;
            return;
        }
    close(fd);
}

static void serve(modbus_t *ctx, int slot)
{
    uint8_t req[MODBUS_TCP_MAX_ADU_LENGTH];
    int header = modbus_get_header_length(ctx);
    int n, unit, function;

    modbus_set_socket(ctx, clients[slot]);
    n = modbus_receive(ctx, req);
    if (n < 0) { /* hung up, stalled, or not Modbus */
        hang_up(slot);
        return;
    }
    if (n <= header) return;
    unit = req[header - 1];
    function = req[header];
    requests_seen++;
    if (function < 1 || function > 4) writes_seen++;
    if (unit >= UNITS || units[unit].tables == NULL || units[unit].silent) return;
    if (units[unit].exception != 0)
        n = modbus_reply_exception(ctx, req, (unsigned)units[unit].exception);
    else
        n = modbus_reply(ctx, req, n, units[unit].tables);
    /* A refusal is a reply too: only a broken connection ends it. */
    if (n < 0 && (errno == EPIPE || errno == ECONNRESET || errno == EBADF)) hang_up(slot);
}

/* answer_frame lets libmodbus check one frame of the line and answer it: in through the pair, out to the line. */
static int answer_frame(modbus_t *ctx, int line, const int pair[2], const uint8_t *frame, size_t used)
{
    uint8_t req[MODBUS_RTU_MAX_ADU_LENGTH], rest[MODBUS_RTU_MAX_ADU_LENGTH];
    int unit = frame[0], function = frame[1];
    int n;

    if (used < 4 || unit == 0 || unit >= UNITS || modbus_set_slave(ctx, unit) != 0) return 0;
    if (write(pair[1], frame, used) != (ssize_t)used) return -1;
    modbus_set_socket(ctx, pair[0]);
    n = modbus_receive(ctx, req);
    while (recv(pair[0], rest, sizeof rest, MSG_DONTWAIT) > 0) continue; /* what a bad frame left behind */
    modbus_set_socket(ctx, line);
    if (n <= 0) return 0; /* a bad CRC, or not Modbus: a station says nothing to that */
    requests_seen++;
    if (function < 1 || function > 4) writes_seen++;
    if (units[unit].tables == NULL || units[unit].silent) return 0;
    if (units[unit].exception != 0)
        n = modbus_reply_exception(ctx, req, (unsigned)units[unit].exception);
    else
        n = modbus_reply(ctx, req, n, units[unit].tables);
    return n < 0 && (errno == EIO || errno == EBADF) ? -1 : 0;
}

/* serve_serial serves one line until stdin ends. */
static int serve_serial(const char *device, int baud, char parity)
{
    uint8_t frame[MODBUS_RTU_MAX_ADU_LENGTH];
    size_t used = 0;
    int pair[2], line;
    modbus_t *ctx = modbus_new_rtu(device, baud, parity, 8, 1);

    if (ctx == NULL || modbus_set_slave(ctx, 1) != 0 || modbus_connect(ctx) != 0 || tables_of(current) == NULL) {
        fprintf(stderr, "%s at %d %c: %s\n", device, baud, parity, modbus_strerror(errno));
        return 1;
    }
    line = modbus_get_socket(ctx);
    if (socketpair(AF_UNIX, SOCK_STREAM, 0, pair) != 0) {
        fprintf(stderr, "socketpair: %s\n", strerror(errno));
        return 1;
    }
    printf("listening %s\n", device);
    for (;;) {
        struct timeval silence = {.tv_usec = SILENCE_MS * 1000};
        fd_set ready;
        ssize_t got;
        int n;
        FD_ZERO(&ready);
        FD_SET(STDIN_FILENO, &ready);
        FD_SET(line, &ready);
        if ((n = select(line + 1, &ready, NULL, NULL, used > 0 ? &silence : NULL)) < 0) {
            if (errno == EINTR) continue;
            fprintf(stderr, "select: %s\n", strerror(errno));
            return 1;
        }
        if (FD_ISSET(line, &ready)) {
            got = read(line, frame + used, sizeof frame - used);
            if (got == 0 || (got < 0 && errno != EAGAIN && errno != EINTR)) {
                fprintf(stderr, "%s: %s\n", device, got == 0 ? "hung up" : strerror(errno));
                return 1;
            }
            if (got > 0) used += (size_t)got;
        }
        while (used >= READ_BYTES && frame[1] >= 1 && frame[1] <= 4) {
            if (answer_frame(ctx, line, pair, frame, READ_BYTES) != 0) return 1;
            used -= READ_BYTES;
            memmove(frame, frame + READ_BYTES, used);
        }
        if (used == sizeof frame || (n == 0 && used > 0)) {
            if (answer_frame(ctx, line, pair, frame, used) != 0) return 1;
            used = 0;
        }
        if (FD_ISSET(STDIN_FILENO, &ready) && commands()) break;
    }
    modbus_close(ctx);
    modbus_free(ctx);
    return 0;
}

static int serial_main(int argc, char **argv)
{
    long baud, size = SIZE_DEFAULT;
    if (argc < 5 || argc > 6 || parse_int(argv[3], 300, 4000000, &baud) != 0 || strlen(argv[4]) != 1 ||
        strchr("NEO", argv[4][0]) == NULL || (argc == 6 && parse_int(argv[5], 1, 65536, &size) != 0)) {
        fprintf(stderr, "usage: peer serial DEVICE BAUD N|E|O [SIZE]\n");
        return 64;
    }
    table_size = (int)size;
    return self_check() != 0 ? 1 : serve_serial(argv[2], (int)baud, argv[4][0]);
}

int main(int argc, char **argv)
{
    long port = 0, size = SIZE_DEFAULT;
    int listener, bound;
    modbus_t *ctx;

    setvbuf(stdout, NULL, _IOLBF, 0);
    signal(SIGPIPE, SIG_IGN);
    for (int i = 0; i < CLIENTS; i++) clients[i] = -1;
    if (argc > 1 && strcmp(argv[1], "serial") == 0) return serial_main(argc, argv);
    if (argc < 2 || argc > 3 || parse_int(argv[1], 0, 65535, &port) != 0 ||
        (argc == 3 && parse_int(argv[2], 1, 65536, &size) != 0)) {
        fprintf(stderr, "usage: peer PORT [SIZE]\n       peer serial DEVICE BAUD N|E|O [SIZE]\n");
        return 64;
    }
    table_size = (int)size;
    if (self_check() != 0) return 1;
    if ((ctx = modbus_new_tcp("127.0.0.1", 502)) == NULL || tables_of(current) == NULL) {
        fprintf(stderr, "libmodbus: %s\n", modbus_strerror(errno));
        return 1;
    }
    if ((bound = listen_on(port, &listener)) < 0) {
        fprintf(stderr, "listen on 127.0.0.1:%ld: %s\n", port, strerror(errno));
        return 1;
    }
    printf("listening %d\n", bound);

    for (;;) {
        fd_set ready;
        int top = listener;
        FD_ZERO(&ready);
        FD_SET(STDIN_FILENO, &ready);
        FD_SET(listener, &ready);
        for (int i = 0; i < CLIENTS; i++)
            if (clients[i] >= 0) {
                FD_SET(clients[i], &ready);
                if (clients[i] > top) top = clients[i];
            }
        if (select(top + 1, &ready, NULL, NULL, NULL) < 0) {
            if (errno == EINTR) continue;
            fprintf(stderr, "select: %s\n", strerror(errno));
            return 1;
        }
        /* Clients before commands: `drop` may close a descriptor that select named, and accept may hand it out again. */
        for (int i = 0; i < CLIENTS; i++)
            if (clients[i] >= 0 && FD_ISSET(clients[i], &ready)) serve(ctx, i);
        if (FD_ISSET(listener, &ready)) admit(listener);
        if (FD_ISSET(STDIN_FILENO, &ready) && commands()) break;
    }
    modbus_free(ctx);
    return 0;
}
