#include "commands.h"

#include <stddef.h>

#include "commands_by_subject.h"
#include "protection.h"
#include "run.h"

static int16_t commands_reset(const union value *values)
{
    UNUSED(values);
    commands_change_switches(false, 0);
    run_stop();
    commands_change_mode(false);
    commands_change_range(0);
    protection_set_defaults();
    protection_clear();
    return 0;
}

const ROM struct command commands_table[] = {
    {"*IDN?", "", commands_identify},
    {"*RST", "", commands_reset},
    {"*CLS", "", commands_clear_status},
    {"*TST?", "", commands_test},
    {"*ESR?", "", commands_query_event},
    {"*ESE", "n", commands_set_event_enable},
    {"*ESE?", "", commands_query_event_enable},
    {"*SRE", "n", commands_set_service_enable},
    {"*SRE?", "", commands_query_service_enable},
    {"*STB?", "", commands_query_status_byte},
    {"*OPC", "", commands_set_complete},
    {"*OPC?", "", commands_query_complete},
    {"*WAI", "", commands_do_nothing},
    {"SYSTem:BEAT", "", commands_do_nothing},
    {"SYSTem:ERRor[:NEXT]?", "", commands_query_error},
    {"SYSTem:ERRor:COUNt?", "", commands_query_error_count},
    {"SYSTem:VERSion?", "", commands_query_version},
    {"SYSTem:BOARd?", "", commands_query_description_lines},
    {"SYSTem:BOARd:LINE?", "n", commands_query_description_line},
    {"SYSTem:BOARd:CHECk?", "", commands_query_description_check},
    {"SYSTem:CAUSe?", "", commands_query_cause},
    {"SYSTem:STAMp?", "", commands_query_stamp},
    {"OUTPut[:STATe]", "b", commands_set_master},
    {"OUTPut[:STATe]?", "", commands_query_master},
    {"OUTPut:PROTection:CLEar", "", commands_clear_trip},
    {"OUTPut:PROTection:TIME", "x", commands_set_time},
    {"OUTPut:PROTection:TIME?", "", commands_query_time},
    {"OUTPut:PROTection:SILence", "x", commands_set_silence},
    {"OUTPut:PROTection:SILence?", "", commands_query_silence},
    {"CURRent:PROTection[:LEVel]", "x", commands_set_level},
    {"CURRent:PROTection[:LEVel]?", "", commands_query_level},
    {"CURRent:PROTection:DELay", "x", commands_set_delay},
    {"CURRent:PROTection:DELay?", "", commands_query_delay},
    {"CURRent:PROTection:TRIPped?", "", commands_query_tripped},
    {"ROUTe:CLOSe", "l", commands_close_loads},
    {"ROUTe:CLOSe?", "", commands_query_loads},
    {"ROUTe:OPEN", "l", commands_open_loads},
    {"ROUTe:OPEN:ALL", "", commands_open_all_loads},
    {"SENSe:MODE", "m", commands_set_mode},
    {"SENSe:MODE?", "", commands_query_mode},
    {"SENSe:VOLTage:RANGe", "x", commands_set_range},
    {"SENSe:VOLTage:RANGe?", "", commands_query_range},
    {"INITiate", "", commands_start_run},
    {"ABORt", "", commands_stop_run},
    {"CALibration:RANGe", "wnxxxxx", commands_calibrate_range},
    {"CALibration:CLOCk", "xx", commands_calibrate_clock},
    {"CALibration:SERial", "w", commands_set_serial},
    {"CALibration:DATE", "n", commands_set_date},
    {"CALibration:DATE?", "", commands_query_date},
    {"CALibration:STORe", "", commands_store_calibration},
    {"CALibration:CLEar", "", commands_clear_calibration},
    {"", "", NULL},
};
