/* What is fitted to this rig. Change it here, or with cmake -DLOADLINE_RIG_DEFINITIONS=
 * "RIG_MOTOR_PULSES=12;RIG_BOARD_NUMBER=3", and build the target `firmware` again. */
#pragma once

#ifndef RIG_BOARD_NUMBER
#define RIG_BOARD_NUMBER 0 /* tells your rigs apart; 0 = not set */
#endif
#ifndef RIG_BUILD
#define RIG_BUILD "1" /* raise it when you change anything */
#endif
#ifndef LOADLINE_VERSION
#define LOADLINE_VERSION "0"
#endif
#define RIG_FIRMWARE_TEXT "atmega328p rig " LOADLINE_VERSION " build " RIG_BUILD

#ifndef RIG_MOTOR_PULSES
#define RIG_MOTOR_PULSES 6 /* slots of the disc on the motor; 0 = no such tachometer */
#endif
#ifndef RIG_HANDWHEEL_PULSES
#define RIG_HANDWHEEL_PULSES 6
#endif
#ifndef RIG_HAS_LOAD_CELL
#define RIG_HAS_LOAD_CELL 1
#endif
#ifndef RIG_CELL_POSITION
#define RIG_CELL_POSITION kWireCellOnBrake /* or kWireCellOnMotor, kWireCellUnstated */
#endif
#ifndef RIG_ARM_UM
#define RIG_ARM_UM 0 /* arm in micrometres; 0 = the book knows it */
#endif

/* Analogue channels count sixteenths of the 10-bit converter's step, 5 V reference. */
#ifndef RIG_HAS_SUPPLY
#define RIG_HAS_SUPPLY 1
#endif
#ifndef RIG_SUPPLY_V_PER_COUNT
#define RIG_SUPPLY_V_PER_COUNT 0.0244140625f /* 400 V at full scale: calibrate against a meter */
#endif
#ifndef RIG_HAS_TEMPERATURE
#define RIG_HAS_TEMPERATURE 1
#endif
#ifndef RIG_TEMPERATURE_C_PER_COUNT
#define RIG_TEMPERATURE_C_PER_COUNT 0.030517578f /* 10 mV per kelvin */
#endif
#ifndef RIG_TEMPERATURE_C_OFFSET
#define RIG_TEMPERATURE_C_OFFSET 0.0f /* 0 V at 0 °C */
#endif
