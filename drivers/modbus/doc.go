// Package modbus reads registers of panel meters and transmitters by Modbus RTU
// on a serial port or by Modbus TCP.
//
// It only ever reads: functions 3 (holding registers) and 4 (input registers).
// Nothing in it can write to a device.
//
// Each Read is one request and its reply, so a device that is dead costs its
// port one timeout at a time, and is then asked more and more rarely. Devices on
// one port share it, with the silence between frames that RTU asks for.
//
// # Specification
//
// MODBUS Application Protocol Specification V1.1b3 and MODBUS over Serial Line
// Specification and Implementation Guide V1.02, Modbus Organization. MODBUS
// Messaging on TCP/IP Implementation Guide V1.0b.
package modbus
