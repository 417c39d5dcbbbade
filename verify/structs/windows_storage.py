"""What Windows answers about drives and volumes.

Sources: Microsoft Learn, the pages of the same names under winioctl.h and ntddstor.h. A control
code is CTL_CODE(device type, function, method, access) as these headers define it. `BOOLEAN` takes
one byte, an enumeration four; structures are aligned as a C compiler does.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

IOCTL_DISK_GET_LENGTH_INFO = 0x0007405C
"""Asks for the right to read the drive, as the pages of the others do not."""

IOCTL_DISK_IS_WRITABLE = 0x00070024
IOCTL_DISK_GET_DRIVE_GEOMETRY_EX = 0x000700A0
IOCTL_STORAGE_GET_DEVICE_NUMBER = 0x002D1080
IOCTL_STORAGE_QUERY_PROPERTY = 0x002D1400
IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS = 0x00560000
FSCTL_ALLOW_EXTENDED_DASD_IO = 0x00090083
"""Lets a handle of a volume read up to the partition's end; changes nothing on the volume."""

STORAGE_DEVICE_PROPERTY = 0
STORAGE_ACCESS_ALIGNMENT_PROPERTY = 6
STORAGE_DEVICE_SEEK_PENALTY_PROPERTY = 7
STORAGE_DEVICE_TRIM_PROPERTY = 8
STORAGE_ADAPTER_PROTOCOL_SPECIFIC_PROPERTY = 49
STORAGE_DEVICE_PROTOCOL_SPECIFIC_PROPERTY = 50
"""STORAGE_PROPERTY_ID."""

PROTOCOL_TYPE_ATA = 2
PROTOCOL_TYPE_NVME = 3
DATA_TYPE_IDENTIFY = 1
"""STORAGE_PROTOCOL_TYPE; AtaDataTypeIdentify and NVMeDataTypeIdentify are both 1."""

NVME_IDENTIFY_CNS_CONTROLLER = 1

BUS_SCSI = 1
BUS_ATAPI = 2
BUS_ATA = 3
BUS_USB = 7
BUS_RAID = 8
BUS_SAS = 10
BUS_SATA = 11
BUS_SD = 12
BUS_MMC = 13
BUS_VIRTUAL = 14
BUS_FILE_BACKED_VIRTUAL = 15
BUS_SPACES = 16
BUS_NVME = 17
"""STORAGE_BUS_TYPE."""

PROPERTY_QUERY = Structure(
    "STORAGE_PROPERTY_QUERY",
    "winioctl.h, 'STORAGE_PROPERTY_QUERY structure'",
    12,
    (
        Field("PropertyId", 0, "I", "STORAGE_PROPERTY_ID"),
        Field("QueryType", 4, "I", "0: PropertyStandardQuery"),
        Field("AdditionalParameters", 8, "B", "the first byte of what follows, if anything"),
    ),
)

DEVICE_DESCRIPTOR = Structure(
    "STORAGE_DEVICE_DESCRIPTOR",
    "winioctl.h, 'STORAGE_DEVICE_DESCRIPTOR structure'",
    36,
    (
        Field("Version", 0, "I", "bytes of the structure"),
        Field("Size", 4, "I", "bytes of all of it, texts included"),
        Field("DeviceType", 8, "B", "as SCSI has it"),
        Field("DeviceTypeModifier", 9, "B"),
        Field("RemovableMedia", 10, "B", "1: the medium can be taken out"),
        Field("CommandQueueing", 11, "B"),
        Field("VendorIdOffset", 12, "I", "of a text that ends with 0, from the start; 0: none"),
        Field("ProductIdOffset", 16, "I", "likewise"),
        Field("ProductRevisionOffset", 20, "I", "likewise"),
        Field("SerialNumberOffset", 24, "I", "likewise"),
        Field("BusType", 28, "I", "STORAGE_BUS_TYPE"),
        Field("RawPropertiesLength", 32, "I", "bytes of what belongs to the bus"),
    ),
)

ACCESS_ALIGNMENT = Structure(
    "STORAGE_ACCESS_ALIGNMENT_DESCRIPTOR",
    "winioctl.h, 'STORAGE_ACCESS_ALIGNMENT_DESCRIPTOR structure'",
    28,
    (
        Field("Version", 0, "I", "bytes of the structure"),
        Field("Size", 4, "I"),
        Field("BytesPerCacheLine", 8, "I"),
        Field("BytesOffsetForCacheAlignment", 12, "I"),
        Field("BytesPerLogicalSector", 16, "I"),
        Field("BytesPerPhysicalSector", 20, "I"),
        Field("BytesOffsetForSectorAlignment", 24, "I", "of logical sector 0 in its physical one"),
    ),
)

SEEK_PENALTY = Structure(
    "DEVICE_SEEK_PENALTY_DESCRIPTOR",
    "winioctl.h, 'DEVICE_SEEK_PENALTY_DESCRIPTOR structure'",
    9,
    (
        Field("Version", 0, "I", "bytes of the structure"),
        Field("Size", 4, "I"),
        Field("IncursSeekPenalty", 8, "B", "1: a head has to move"),
    ),
)

TRIM = Structure(
    "DEVICE_TRIM_DESCRIPTOR",
    "winioctl.h, 'DEVICE_TRIM_DESCRIPTOR structure'",
    9,
    (
        Field("Version", 0, "I", "bytes of the structure"),
        Field("Size", 4, "I"),
        Field("TrimEnabled", 8, "B", "1: the drive takes TRIM"),
    ),
)

PROTOCOL_SPECIFIC_DATA = Structure(
    "STORAGE_PROTOCOL_SPECIFIC_DATA",
    "winioctl.h, 'STORAGE_PROTOCOL_SPECIFIC_DATA structure'",
    40,
    (
        Field("ProtocolType", 0, "I", "STORAGE_PROTOCOL_TYPE"),
        Field("DataType", 4, "I"),
        Field("ProtocolDataRequestValue", 8, "I", "NVMe: CNS, 1 for the controller"),
        Field("ProtocolDataRequestSubValue", 12, "I"),
        Field("ProtocolDataOffset", 16, "I", "from the start of this structure"),
        Field("ProtocolDataLength", 20, "I"),
        Field("FixedProtocolReturnData", 24, "I"),
        Field("ProtocolDataRequestSubValue2", 28, "I"),
        Field("ProtocolDataRequestSubValue3", 32, "I"),
        Field("ProtocolDataRequestSubValue4", 36, "I"),
    ),
)

PROTOCOL_DATA_DESCRIPTOR = Structure(
    "STORAGE_PROTOCOL_DATA_DESCRIPTOR",
    "winioctl.h, 'STORAGE_PROTOCOL_DATA_DESCRIPTOR structure'",
    48,
    (
        Field("Version", 0, "I", "bytes of the structure"),
        Field("Size", 4, "I"),
        Field("ProtocolSpecificData", 8, "40s", "STORAGE_PROTOCOL_SPECIFIC_DATA"),
    ),
)

ATA_IDENTIFY = Structure(
    "IDENTIFY DEVICE data",
    "ATA/ATAPI Command Set (ACS-3), IDENTIFY DEVICE, words 10 to 19 and 27 to 46",
    512,
    (
        Field("SerialNumber", 20, "20s", "two characters a word, the first in its higher byte"),
        Field("ModelNumber", 54, "40s", "likewise"),
    ),
)

NVME_IDENTIFY_CONTROLLER = Structure(
    "Identify Controller data",
    "NVM Express Base Specification 1.4, 5.15.2.2",
    4096,
    (
        Field("VID", 0, "H", "PCI vendor"),
        Field("SSVID", 2, "H", "PCI subsystem vendor"),
        Field("SN", 4, "20s", "serial number, ASCII, filled with spaces"),
        Field("MN", 24, "40s", "model number, likewise"),
    ),
)

LENGTH_INFORMATION = Structure(
    "GET_LENGTH_INFORMATION",
    "winioctl.h, 'GET_LENGTH_INFORMATION structure'",
    8,
    (Field("Length", 0, "q", "bytes of the drive, volume or partition"),),
)

DISK_GEOMETRY_EX = Structure(
    "DISK_GEOMETRY_EX",
    "winioctl.h, 'DISK_GEOMETRY_EX structure', 'DISK_GEOMETRY structure' (its first 24 bytes)",
    32,
    (
        Field("Cylinders", 0, "q"),
        Field("MediaType", 8, "I"),
        Field("TracksPerCylinder", 12, "I"),
        Field("SectorsPerTrack", 16, "I"),
        Field("BytesPerSector", 20, "I"),
        Field("DiskSize", 24, "q", "bytes"),
    ),
)

DEVICE_NUMBER = Structure(
    "STORAGE_DEVICE_NUMBER",
    "winioctl.h, 'STORAGE_DEVICE_NUMBER structure'",
    12,
    (
        Field("DeviceType", 0, "I", "FILE_DEVICE_DISK is 7"),
        Field("DeviceNumber", 4, "I", "N of PhysicalDriveN"),
        Field("PartitionNumber", 8, "I", "0: the whole drive; FFFFFFFF: it cannot be partitioned"),
    ),
)

VOLUME_DISK_EXTENTS = Structure(
    "VOLUME_DISK_EXTENTS",
    "winioctl.h, 'VOLUME_DISK_EXTENTS structure'",
    8,
    (Field("NumberOfDiskExtents", 0, "I", "DISK_EXTENT structures follow, from byte 8"),),
)

DISK_EXTENT = Structure(
    "DISK_EXTENT",
    "winioctl.h, 'DISK_EXTENT structure'",
    24,
    (
        Field("DiskNumber", 0, "I", "N of PhysicalDriveN"),
        Field("StartingOffset", 8, "q", "bytes from the start of the drive"),
        Field("ExtentLength", 16, "q", "bytes"),
    ),
)
