/** The few strokes from which every picture is made, on a canvas or as SVG. */
export interface Style {
  stroke?: string;
  fill?: string;
  width?: number;
  dash?: number[];
  alpha?: number;
}

export interface TextStyle {
  size: number;
  colour: string;
  align?: "start" | "middle" | "end";
  weight?: "normal" | "bold";
  /** Turned a quarter against the clock, for the name of an upright axis. */
  upright?: boolean;
}

export interface Painter {
  /** Points as x, y, x, y; a gap at numbers that are not finite. */
  line(points: ArrayLike<number>, style: Style, closed?: boolean): void;
  circle(x: number, y: number, radius: number, style: Style): void;
  rect(x: number, y: number, width: number, height: number, style: Style): void;
  text(x: number, y: number, text: string, style: TextStyle): void;
  /** An image whose corners (left top, right top, left bottom) are put at three points. */
  image(source: CanvasImageSource, width: number, height: number, corners: number[]): void;
  /** Everything inside is cut off at the edges of a rectangle. */
  clip(x: number, y: number, width: number, height: number, inside: () => void): void;
}
