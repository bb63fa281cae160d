"""What floats above a template's cells comes through: pictures, text boxes, charts, header pictures, sparklines."""

import base64
import io
import warnings
import zipfile

import openpyxl
import pytest
from invented_run import a_plan, a_run_of, good_visits
from lxml import etree
from openpyxl.chart import BarChart, Reference

from cornerrun.report.parts import relationships, sheet_parts
from cornerrun.report.template import find_template
from cornerrun.report.workbook import write_workbook

# One grey pixel.
PNG = base64.b64decode("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg==")
R = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
DRAWING = f"""<xdr:wsDr xmlns:xdr="http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing"
 xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main">
<xdr:oneCellAnchor><xdr:from><xdr:col>3</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>0</xdr:row>
<xdr:rowOff>0</xdr:rowOff></xdr:from><xdr:ext cx="360000" cy="180000"/>
<xdr:pic><xdr:nvPicPr><xdr:cNvPr id="2" name="Logo"/><xdr:cNvPicPr/></xdr:nvPicPr>
<xdr:blipFill><a:blip xmlns:r="{R}" r:embed="rId1"/><a:stretch><a:fillRect/></a:stretch></xdr:blipFill>
<xdr:spPr><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></xdr:spPr></xdr:pic><xdr:clientData/></xdr:oneCellAnchor>
<xdr:oneCellAnchor><xdr:from><xdr:col>5</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>0</xdr:row>
<xdr:rowOff>0</xdr:rowOff></xdr:from><xdr:ext cx="900000" cy="180000"/>
<xdr:sp><xdr:nvSpPr><xdr:cNvPr id="3" name="Box"/><xdr:cNvSpPr txBox="1"/></xdr:nvSpPr>
<xdr:spPr><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></xdr:spPr>
<xdr:txBody><a:bodyPr/><a:p><a:r><a:t>Handle with care</a:t></a:r></a:p></xdr:txBody></xdr:sp>
<xdr:clientData/></xdr:oneCellAnchor></xdr:wsDr>"""
SPARKLINES = """<extLst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><ext
 xmlns:x14="http://schemas.microsoft.com/office/spreadsheetml/2009/9/main" uri="{05C60535-1F16-4fd2-B633-F4F36F0B64E0}">
<x14:sparklineGroups xmlns:xm="http://schemas.microsoft.com/office/excel/2006/main"><x14:sparklineGroup>
<x14:sparklines><x14:sparkline><xm:f>Cover!A1:C1</xm:f><xm:sqref>D1</xm:sqref></x14:sparkline></x14:sparklines>
</x14:sparklineGroup></x14:sparklineGroups></ext></extLst>"""
VML = '<xml xmlns:v="urn:schemas-microsoft-com:vml"><v:shape id="LH" type="#_x0000_t75"/></xml>'
RELATIONSHIPS = "http://schemas.openxmlformats.org/package/2006/relationships"


def with_floating_parts(path, *, on_summary):
    """Write the delivered template with a cover sheet, a chart of the user's, and parts that openpyxl cannot make."""
    book = openpyxl.load_workbook(find_template())
    cover = book.create_sheet("Cover", 0)
    cover.append([1, 2, 3])
    title = "Summary" if on_summary else "Cover"
    plain = io.BytesIO()
    book.save(plain)
    with zipfile.ZipFile(plain) as source, zipfile.ZipFile(path, "w") as target:
        part = sheet_parts(source)[title]
        folder, name = part.rsplit("/", 1)
        for item in source.namelist():
            content = source.read(item)
            if item == part:
                references = f'<drawing xmlns:r="{R}" r:id="d1"/><legacyDrawingHF xmlns:r="{R}" r:id="h1"/>{SPARKLINES}'
                content = content.replace(b"</worksheet>", references.encode() + b"</worksheet>")
            if item == "[Content_Types].xml":
                more = (
                    '<Default Extension="png" ContentType="image/png"/>'
                    '<Default Extension="vml" ContentType="application/vnd.openxmlformats-officedocument.vmlDrawing"/>'
                    '<Override PartName="/xl/drawings/drawing1.xml" '
                    'ContentType="application/vnd.openxmlformats-officedocument.drawing+xml"/>'
                )
                content = content.replace(b"</Types>", more.encode() + b"</Types>")
            target.writestr(item, content)
        target.writestr(
            f"{folder}/_rels/{name}.rels",
            f'<Relationships xmlns="{RELATIONSHIPS}">'
            f'<Relationship Id="d1" Type="{R}/drawing" Target="../drawings/drawing1.xml"/>'
            f'<Relationship Id="h1" Type="{R}/vmlDrawing" Target="../drawings/vmlDrawing7.vml"/></Relationships>',
        )
        target.writestr("xl/drawings/drawing1.xml", DRAWING)
        target.writestr(
            "xl/drawings/_rels/drawing1.xml.rels",
            f'<Relationships xmlns="{RELATIONSHIPS}"><Relationship Id="rId1" Type="{R}/image" '
            'Target="../media/logo.png"/></Relationships>',
        )
        target.writestr("xl/media/logo.png", PNG)
        target.writestr("xl/drawings/vmlDrawing7.vml", VML)
    return path


def report(template, tmp_path):
    plan = a_plan()
    return write_workbook(a_run_of(good_visits(plan, {2: 3})), tmp_path / "report.xlsx", plan=plan, template=template)


def of_kind(package, part, kind):
    return [item for item in relationships(package, part) if item.kind.endswith(f"/{kind}")]


@pytest.mark.parametrize("on_summary", [False, True])
def test_a_logo_a_text_box_a_header_picture_and_sparklines_survive(tmp_path, on_summary):
    path = report(with_floating_parts(tmp_path / "template.xlsx", on_summary=on_summary), tmp_path)
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        assert len(package.namelist()) == len(set(package.namelist()))
        part = sheet_parts(package)["Summary" if on_summary else "Cover"]
        (drawing,) = of_kind(package, part, "drawing")
        (image,) = of_kind(package, drawing.target, "image")
        assert package.read(image.target) == PNG
        root = etree.fromstring(package.read(drawing.target))
        assert "Handle with care" in "".join(root.itertext())
        embeds = root.xpath("//@r:embed", namespaces={"r": R})
        assert embeds == [image.id]
        ids = root.xpath("//*[local-name()='cNvPr']/@id")
        assert len(ids) == len(set(ids))
        charts = of_kind(package, drawing.target, "chart")
        assert len(charts) == (2 if on_summary else 0)
        (header,) = of_kind(package, part, "vmlDrawing")
        assert b"LH" in package.read(header.target)
        sheet = package.read(part)
        assert b"sparklineGroup" in sheet
        order = [etree.QName(child).localname for child in etree.fromstring(sheet)]
        tail = [name for name in order if name in ("drawing", "legacyDrawingHF", "extLst")]
        assert tail == ["drawing", "legacyDrawingHF", "extLst"]
        types = package.read("[Content_Types].xml")
        assert image.target.encode() in types
        for name in package.namelist():
            if name.endswith(".rels"):
                for item in relationships(package, name.replace("_rels/", "").removesuffix(".rels")):
                    assert item.is_external or item.target in package.namelist(), (name, item)


def test_a_chart_of_the_user_survives_as_it_was(tmp_path):
    book = openpyxl.load_workbook(find_template())
    cover = book.create_sheet("Cover", 0)
    cover.append([1, 2, 3])
    chart = BarChart()
    chart.title = "Our own"
    chart.add_data(Reference(cover, min_col=1, max_col=3, min_row=1), from_rows=True)
    cover.add_chart(chart, "A5")
    template = tmp_path / "template.xlsx"
    book.save(template)
    with zipfile.ZipFile(template) as package:
        before = package.read("xl/charts/chart1.xml")
    with zipfile.ZipFile(report(template, tmp_path)) as package:
        (drawing,) = of_kind(package, sheet_parts(package)["Cover"], "drawing")
        (link,) = of_kind(package, drawing.target, "chart")
        assert package.read(link.target) == before


def test_the_report_opens_in_another_reader_with_all_its_drawings(tmp_path):
    path = report(with_floating_parts(tmp_path / "template.xlsx", on_summary=True), tmp_path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl says that it would drop the sparklines
        book = openpyxl.load_workbook(path)
    assert book["Cover"]["C1"].value == 3
