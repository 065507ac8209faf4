"""Files as instruments' programs write them, made by hand for a strip and its colours."""

import numpy as np


def table(strip, lab, *, fields=("name", "rgb", "lab"), places=None, scale=255, digits=4):
    """Names of columns and rows of values, as text."""
    names, columns = [], []
    lab = np.asarray(lab, float)

    def add(heads, values, precision=digits):
        names.extend(heads)
        columns.extend([[f"{each:.{precision}f}" for each in column] for column in values.T])

    for field in fields:
        if field == "id":
            names.append("SAMPLE_ID")
            columns.append([str(at) for at in range(1, len(lab) + 1)])
        elif field == "name":
            names.append("SAMPLE_NAME")
            columns.append([each.name for each in strip.patches])
        elif field in {"rgb", "cmyk"}:
            letters = field.upper()
            add([f"{letters}_{each}" for each in letters], strip.device * scale)
        elif field == "lab":
            add(["LAB_L", "LAB_A", "LAB_B"], lab)
        elif field == "xyz":
            add(["XYZ_X", "XYZ_Y", "XYZ_Z"], 100 * lab_to_xyz(lab))
    rows = [list(each) for each in zip(*columns, strict=True)]
    return names, [rows[at] for at in (places if places is not None else range(len(rows)))]


def lab_to_xyz(lab):
    """By the book (CIE 15:2004, 8.2.1.1), white D50."""
    L, a, b = np.moveaxis(np.asarray(lab, float), -1, 0)
    f = np.stack([(L + 16) / 116 + a / 500, (L + 16) / 116, (L + 16) / 116 - b / 200], -1)
    linear = np.where(f > 6 / 29, f**3, (f - 4 / 29) * 3 * (6 / 29) ** 2)
    return linear * [0.9642, 1.0, 0.8249]


def cgats(strip, lab, *, head=(), comma=False, **how):
    """A file of CGATS.17 text."""
    names, rows = table(strip, lab, **how)
    lines = ["CGATS.17", 'ORIGINATOR "a print room"', *head]
    lines += [f"NUMBER_OF_FIELDS {len(names)}", "BEGIN_DATA_FORMAT", " ".join(names)]
    lines += ["END_DATA_FORMAT", f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA"]
    lines += [" ".join(each.replace(".", ",") if comma else each for each in row) for row in rows]
    return "\n".join([*lines, "END_DATA", ""])


def csv(strip, lab, *, separator=";", comma=True, **how):
    """A table of separated values."""
    names, rows = table(strip, lab, **how)
    lines = [separator.join(names)]
    lines += [
        separator.join(each.replace(".", ",") if comma else each for each in row) for row in rows
    ]
    return "\r\n".join([*lines, ""])


def cxf(strip, lab, *, illumination="M1_Daylight"):
    """A CxF3 file with L*a*b* and the strip's names."""
    objects = "".join(
        f'<cc:Object Id="c{at}" ObjectType="Target" Name="{patch.name}">'
        "<cc:CreationDate>2026-11-28T10:00:00Z</cc:CreationDate><cc:ColorValues>"
        f'<cc:ColorCIELab ColorSpecification="s"><cc:L>{L:.4f}</cc:L><cc:A>{a:.4f}</cc:A>'
        f"<cc:B>{b:.4f}</cc:B></cc:ColorCIELab></cc:ColorValues></cc:Object>"
        for at, (patch, (L, a, b)) in enumerate(zip(strip.patches, lab, strict=True))
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<cc:CxF xmlns:cc="http://colorexchangeformat.com/CxF3-core"><cc:FileInformation>'
        "<cc:Creator>a print room</cc:Creator></cc:FileInformation><cc:Resources>"
        f"<cc:ObjectCollection>{objects}</cc:ObjectCollection>"
        '<cc:ColorSpecificationCollection><cc:ColorSpecification Id="s"><cc:TristimulusSpec>'
        "<cc:Illuminant>D50</cc:Illuminant><cc:Observer>2_Degree</cc:Observer>"
        "<cc:Method>E308_Table5</cc:Method></cc:TristimulusSpec><cc:MeasurementSpec>"
        "<cc:MeasurementType>Spectrum_Reflectance</cc:MeasurementType>"
        "<cc:Backing>white</cc:Backing><cc:Device><cc:DeviceIllumination>"
        f"{illumination}</cc:DeviceIllumination></cc:Device></cc:MeasurementSpec>"
        "</cc:ColorSpecification></cc:ColorSpecificationCollection></cc:Resources></cc:CxF>"
    )
