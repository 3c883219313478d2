#include "rig.h"

/* 1 kilohm and 47 nF before every input but those of the thermistor and the self-check. */
#define FILTER_S 4.7E-5f

const ROM struct rig_channel rig_channels[CHANNELS] = {
    {"v_in", "V", 0, 0, 1, FILTER_S},
    {"v_out", "V", 1, 0, 1, FILTER_S},
    {"v_drop", "V", 2, 0, 1, FILTER_S},
    {"i_load", "A", 3, 0, 1, FILTER_S},
    {"i_load_low", "A", 4, 0, 2, FILTER_S},
    {"v_pilot", "V", 4, 1, 2, FILTER_S},
    {"temperature", "degC", 4, 31, 64, 0.0f},
    {"self_check", "V", 4, 63, 64, 0.0f},
};

const ROM struct rig_range rig_ranges[RIG_RANGES] = {
    {CHANNEL_V_IN, 0, 0.0f, 0.03596f, 0.0f, 36.78f, 0.0013f, 0.035f, 0.018f, 0.018f},
    {CHANNEL_V_IN, 1, 0.0f, 0.0184f, 0.0f, 18.8f, 0.0013f, 0.018f, 0.009f, 0.009f},
    {CHANNEL_V_OUT, 0, 0.0f, 0.03596f, 0.0f, 36.78f, 0.0013f, 0.035f, 0.018f, 0.018f},
    {CHANNEL_V_OUT, 1, 0.0f, 0.0184f, 0.0f, 18.8f, 0.0013f, 0.018f, 0.009f, 0.009f},
    {CHANNEL_V_DROP, 0, 64.0f, 0.001f, -0.064f, 0.959f, 0.0015f, 0.003f, 0.0006f, 0.0006f},
    {CHANNEL_I_LOAD, 0, 64.0f, 0.08f, -5.12f, 76.7f, 0.006f, 0.12f, 0.04f, 0.04f},
    {CHANNEL_I_LOAD_LOW, 0, 64.0f, 0.008f, -0.512f, 7.67f, 0.006f, 0.025f, 0.004f, 0.005f},
    {CHANNEL_V_PILOT, 0, 0.0f, 0.0184f, 0.0f, 18.8f, 0.0013f, 0.018f, 0.009f, 0.009f},
    {CHANNEL_TEMPERATURE, 0, 0.0f, 1.0f, -20.0f, 80.0f, 0.0f, 1.0f, 0.1f, 0.1f},
    {CHANNEL_SELF_CHECK, 0, 0.0f, 0.004f, 0.0f, 4.092f, 0.001f, 0.004f, 0.002f, 0.002f},
};

const ROM struct rig_load rig_loads[RIG_LOADS] = {
    {"LAMP", 21.0f}, {"LAMP", 21.0f}, {"LAMP", 21.0f}, {"LAMP", 10.0f}, {"LAMP", 5.0f}, {"FREE", 0.0f}, {"PILOT", 2.2f}, {"LEAK", 1000.0f},
};

const ROM struct rig_limit rig_limits[RIG_LIMITS] = {
    {"CURR", 0.5f, 75.0f, 75.0f},
    {"DELAY", 0.001f, 5.0f, 0.05f},
    {"TIME", 1.0f, 172800.0f, 120.0f},
    {"SIL", 0.2f, 1.0f, 1.0f},
};
