// What firmware tells of a unit that QEMU does not emulate: battery, mains, lid and the sensor on the
// processor (ACPI specification 6.5, 10.2, 10.3, 9.4, 11.4.14). The stock drivers of the kernel read it. The
// values lie in 256 bytes of the unit's memory that its kernel leaves alone and the test bench writes; where no
// kernel leaves any alone (STILL), the temperature stands still.
#define MAILBOX 0x0FF00000

DefinitionBlock ("", "SSDT", 2, "TARNWK", "UNIT", 1)
{
#ifdef STILL
    Name (TEMP, 3031)
#else
    OperationRegion (MBOX, SystemMemory, MAILBOX, 0x100)
    Field (MBOX, DWordAcc, NoLock, Preserve)
    {
        TEMP, 32, // tenths of a kelvin
        BSTA, 32, // 1: a battery is in its place
        BDES, 32, // design capacity, mWh
        BFUL, 32, // full capacity, mWh
        BCYC, 32, // cycles
        BREM, 32, // remaining, mWh
    }
#endif
    Scope (\_SB)
    {
        Device (TCPU)
        {
            Name (_HID, "INT3403")
            Name (_UID, "TCPU")
            Name (PTYP, 0x03)
            Method (_STA) { Return (0x0F) }
            Method (_TMP) { Return (TEMP) }
            Method (_CRT) { Return (3782) } // 105 celsius
            Name (PATC, 0)
        }
#ifdef BATTERY
        Device (BAT0)
        {
            Name (_HID, EisaId ("PNP0C0A"))
            Name (_UID, 1)
            Method (_STA) { If (BSTA) { Return (0x1F) } Return (0x0F) }
            Name (XTND, Package () { 0, 0, 0, 0, 1, 11400, 0, 0, 0, 95000, 0, 0, 0, 0, 10, 10,
                "TF-B57", "TF57-0931", "LION", "Harrow Gate" })
            Method (_BIX)
            {
                XTND [2] = BDES
                XTND [3] = BFUL
                XTND [8] = BCYC
                Return (XTND)
            }
            Name (STAT, Package () { 0, 0, 0, 12100 })
            Method (_BST)
            {
                STAT [2] = BREM
                Return (STAT)
            }
        }
        Device (ADP0)
        {
            Name (_HID, "ACPI0003")
            Method (_PSR) { Return (1) }
            Method (_PCL) { Return (Package () { \_SB }) }
        }
#endif
#ifdef LID
        Device (LID0)
        {
            Name (_HID, EisaId ("PNP0C0D"))
            Method (_LID) { Return (1) }
        }
#endif
    }
}
