/*
 * One poll or one delivery over Modbus TCP on libmodbus, for each line of
 * standard input: "p" reads the request block; "d" writes a payload, reads it
 * back, reads the request block and writes a commit. The time of each in
 * nanoseconds goes to standard output.
 *
 * Usage: libmodbus_loop HOST PORT UNIT
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { request = 1000, request_words = 96, payload = 4030, payload_words = 80, commit = 4120, commit_words = 14 };

static void wants(int got, int want, const char *what) {
	if (got != want) {
		fprintf(stderr, "%s: %d, want %d: %s\n", what, got, want, modbus_strerror(errno));
		exit(1);
	}
}

static long long now(void) {
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec * 1000000000LL + t.tv_nsec;
}

int main(int argc, char **argv) {
	uint16_t words[payload_words] = {0}, back[request_words];
	int c;
	if (argc != 4) {
		fprintf(stderr, "usage: %s HOST PORT UNIT\n", argv[0]);
		return 2;
	}
	modbus_t *m = modbus_new_tcp(argv[1], atoi(argv[2]));
	if (m == NULL || modbus_set_slave(m, atoi(argv[3])) != 0 || modbus_connect(m) != 0) {
		fprintf(stderr, "connecting: %s\n", modbus_strerror(errno));
		return 1;
	}
	while ((c = getchar()) != EOF) {
		long long start = now();
		switch (c) {
		case 'p':
			wants(modbus_read_registers(m, request, request_words, back), request_words, "poll");
			break;
		case 'd':
			wants(modbus_write_registers(m, payload, payload_words, words), payload_words, "payload");
			wants(modbus_read_registers(m, payload, payload_words, back), payload_words, "read back");
			wants(modbus_read_registers(m, request, request_words, back), request_words, "last look");
			wants(modbus_write_registers(m, commit, commit_words, words), commit_words, "commit");
			break;
		default:
			continue;
		}
		printf("%lld\n", now() - start);
		fflush(stdout);
	}
	modbus_close(m);
	modbus_free(m);
	return 0;
}
