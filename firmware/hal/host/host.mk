# The core for this computer, with the fake hardware of hal/host and sanitizers: build/board_host runs a script from its standard input
# (driver.c), build/board_fuzz feeds the core with damaged command lines (fuzz.c).
HOST_CC ?= gcc
HOST_FLAGS := -std=gnu99 -O1 -g -fsanitize=address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer $(WARNINGS) -Wconversion \
	-Icore -Ihal -Ihal/host
HOST_CORE := $(patsubst core/%.c,$(BUILD)/host/core/%.o,$(wildcard core/*.c))
HOST_HAL := $(patsubst hal/host/%.c,$(BUILD)/host/%.o,$(filter-out %/driver.c %/fuzz.c,$(wildcard hal/host/*.c)))
HOST_HEADERS := $(wildcard core/*.h hal/*.h hal/host/*.h) Makefile hal/host/host.mk

host: $(BUILD)/board_host $(BUILD)/board_fuzz

$(BUILD)/host/core/%.o: core/%.c $(HOST_HEADERS)
	@mkdir -p $(@D)
	$(HOST_CC) $(HOST_FLAGS) -c $< -o $@

$(BUILD)/host/%.o: hal/host/%.c $(HOST_HEADERS)
	@mkdir -p $(@D)
	$(HOST_CC) $(HOST_FLAGS) -c $< -o $@

$(BUILD)/board_host: $(BUILD)/host/driver.o $(HOST_CORE) $(HOST_HAL)
	$(HOST_CC) $(HOST_FLAGS) -o $@ $^

$(BUILD)/board_fuzz: $(BUILD)/host/fuzz.o $(HOST_CORE) $(HOST_HAL)
	$(HOST_CC) $(HOST_FLAGS) -o $@ $^
