# The simulated microcontroller, a shared library for firmware/simulator/*.py. libsimavr is GPL-3: this is a test tool and nothing else.
simulator: $(BUILD)/libavrboard.so

$(BUILD)/libavrboard.so: simulator/avr_board.c simulator/avr_board.h
	@mkdir -p $(@D)
	$(CC) -std=gnu11 -O2 -g -fPIC -shared -Wall -Wextra -Werror -isystem /usr/include/simavr -o $@ $< -lsimavr -lelf -lm
