/* Says why it started, switches the watchdog on and feeds it no more. */
#include "probe.h"

void first(void) __attribute__((naked, used, section(".init3")));
void first(void)
{
    RESULT[1] = RESULT[0];
    RESULT[0] = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

int main(void)
{
    wdt_enable(WDTO_120MS);
    hold_still();
}
