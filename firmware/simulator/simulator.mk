# The simulated microcontroller, a shared library for firmware/simulator/*.py. libsimavr is GPL-3: this is a test tool and nothing else.
MICROCONTROLLER := $(wildcard simulator/microcontroller/*.c)

simulator: $(BUILD)/libavrboard.so

$(BUILD)/libavrboard.so: $(MICROCONTROLLER) $(wildcard simulator/microcontroller/*.h)
	@mkdir -p $(@D)
	$(CC) -std=gnu11 -O2 -g -fPIC -shared -Wall -Wextra -Wmissing-prototypes -Werror -isystem /usr/include/simavr -o $@ $(MICROCONTROLLER) \
		-lsimavr -lelf -lm
