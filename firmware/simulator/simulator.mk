# The simulated microcontroller, a shared library for firmware/simulator/*.py. libsimavr is GPL-3: this is a test tool and nothing else.
MICROCONTROLLER := $(patsubst simulator/microcontroller/%.c,$(BUILD)/simulator/%.o,$(wildcard simulator/microcontroller/*.c))

simulator: $(BUILD)/libavrboard.so

$(BUILD)/simulator/%.o: simulator/microcontroller/%.c $(wildcard simulator/microcontroller/*.h) simulator/simulator.mk
	@mkdir -p $(@D)
	$(CC) -std=gnu11 -O2 -g -fPIC -Wall -Wextra -Wmissing-prototypes -Werror -isystem /usr/include/simavr -c $< -o $@

$(BUILD)/libavrboard.so: $(MICROCONTROLLER)
	$(CC) -shared -o $@ $^ -lsimavr -lelf -lm
