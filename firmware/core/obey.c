#include "obey.h"

#include <stddef.h>

#include "obey_parts.h"
#include "protection.h"
#include "run.h"

static int16_t obey_restore(const union value *values)
{
    UNUSED(values);
    obey_change_switches(false, 0);
    run_stop();
    obey_change_mode(false);
    obey_change_range(0);
    protection_set_defaults();
    protection_clear();
    return 0;
}

const ROM struct command obey_commands[] = {
    {"*IDN?", "", obey_identify},
    {"*RST", "", obey_restore},
    {"*CLS", "", obey_clear_status},
    {"*TST?", "", obey_test},
    {"*ESR?", "", obey_take_event},
    {"*ESE", "n", obey_set_event_enable},
    {"*ESE?", "", obey_event_enable},
    {"*SRE", "n", obey_set_service_enable},
    {"*SRE?", "", obey_service_enable},
    {"*STB?", "", obey_status_byte},
    {"*OPC", "", obey_complete},
    {"*OPC?", "", obey_is_complete},
    {"*WAI", "", obey_nothing},
    {"SYSTem:BEAT", "", obey_nothing},
    {"SYSTem:ERRor[:NEXT]?", "", obey_error},
    {"SYSTem:ERRor:COUNt?", "", obey_error_count},
    {"SYSTem:VERSion?", "", obey_version},
    {"SYSTem:BOARd?", "", obey_description_lines},
    {"SYSTem:BOARd:LINE?", "n", obey_description_line},
    {"SYSTem:BOARd:CHECk?", "", obey_description_check},
    {"SYSTem:CAUSe?", "", obey_cause},
    {"SYSTem:STAMp?", "", obey_stamp},
    {"OUTPut[:STATe]", "b", obey_set_master},
    {"OUTPut[:STATe]?", "", obey_master},
    {"OUTPut:PROTection:CLEar", "", obey_clear_trip},
    {"OUTPut:PROTection:TIME", "x", obey_set_time},
    {"OUTPut:PROTection:TIME?", "", obey_time},
    {"OUTPut:PROTection:SILence", "x", obey_set_silence},
    {"OUTPut:PROTection:SILence?", "", obey_silence},
    {"CURRent:PROTection[:LEVel]", "x", obey_set_level},
    {"CURRent:PROTection[:LEVel]?", "", obey_level},
    {"CURRent:PROTection:DELay", "x", obey_set_delay},
    {"CURRent:PROTection:DELay?", "", obey_delay},
    {"CURRent:PROTection:TRIPped?", "", obey_tripped},
    {"ROUTe:CLOSe", "l", obey_close},
    {"ROUTe:CLOSe?", "", obey_closed},
    {"ROUTe:OPEN", "l", obey_open},
    {"ROUTe:OPEN:ALL", "", obey_open_all},
    {"SENSe:MODE", "m", obey_set_mode},
    {"SENSe:MODE?", "", obey_mode},
    {"SENSe:VOLTage:RANGe", "x", obey_set_range},
    {"SENSe:VOLTage:RANGe?", "", obey_range},
    {"INITiate", "", obey_initiate},
    {"ABORt", "", obey_abort},
    {"CALibration:RANGe", "wnxxxxx", obey_calibrate_range},
    {"CALibration:CLOCk", "xx", obey_calibrate_clock},
    {"CALibration:SERial", "w", obey_set_serial},
    {"CALibration:DATE", "n", obey_set_date},
    {"CALibration:DATE?", "", obey_date},
    {"CALibration:STORe", "", obey_store},
    {"CALibration:CLEar", "", obey_clear_calibration},
    {"", "", NULL},
};
